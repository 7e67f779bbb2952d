"""Errors of a call that cannot be read: exit code 2, in the language of the workspace, with the words of the call."""

import re
from pathlib import Path

import pytest

from tests.support.program import taretrace_here
from tests.support.pseudo_language import bare, bracketed_workspace

CALLS = {
    "unknown option": (["ingest", "--nope"], "--nope"),
    "misspelled option": (["ingest", "--jso"], "--json"),
    "whole number": (["demo", "--machines", "x"], "--machines"),
    "out of range": (["demo", "--machines", "1"], "60"),
    "one end": (["demo", "--seed", "-1"], "-1"),
    "choice": (["export", "x", "--format", "foo"], "parquet"),
    "no value": (["demo", "--seed"], "--seed"),
    "too many values": (["demo", "--json=3"], "--json"),
    "missing argument": (["report", "load"], "LOAD_ID"),
    "further arguments": (["demo", "a", "b", "c"], "b c"),
    "unknown command": (["qqq"], "qqq"),
    "misspelled command": (["report", "loadd"], "load"),
}
"""Case -> (call, word that its error contains)."""


@pytest.fixture(scope="module")
def german(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace whose language encloses every text in brackets."""
    return bracketed_workspace(tmp_path_factory.mktemp("season")).root


@pytest.mark.parametrize("case", CALLS)
def test_an_unreadable_call_is_one_sentence_in_the_language_of_the_workspace(german, monkeypatch, case):
    call, word = CALLS[case]
    monkeypatch.chdir(german)
    ran = taretrace_here(*call)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.count("\n") == 1
    assert word in ran.err
    assert re.findall(r"[^\W\d_]{2,}", bare(ran.err)) == ["taretrace"]


def test_a_call_in_english_has_no_brackets(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    ran = taretrace_here("ingest", "--nope")
    assert ran.code == 2
    assert "⟦" not in ran.err
