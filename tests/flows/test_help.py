"""Help in the language of the workspace that a call names, or of the environment."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from flows.cli.app import app
from flows.cli.help import PARTS, environment_locale, named_workspace
from flows.cli.mapping import FileKind
from reports.language.help_text import help_paragraphs
from tests.support.program import taretrace_here
from tests.support.pseudo_language import bare, bracketed_workspace, texts_of_catalogue

FRAME = re.compile(r"[│╭╮╰╯─]")
DATA = re.compile(
    r"--?[\w-]+|<[^>]*>|\[[^\]]*\||\b(?:tickets|machine|parquet|demo-season|examples|dirt_tare_pct|en|de|pl)\b"
)
"""Options, types, names of arguments and values: the same in every language."""


def walk(command: Any, words: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield every command with the words that call it."""
    yield words, command
    for name, inner in getattr(command, "commands", {}).items():
        yield from walk(inner, (*words, name))


COMMANDS = dict(walk(typer.main.get_command(app)))


@pytest.fixture(scope="module")
def german(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace whose language encloses every text in brackets."""
    return bracketed_workspace(tmp_path_factory.mktemp("season")).root


def english_words(out: str, names: set[str]) -> list[str]:
    """Return the words of a help text outside all brackets that are not data."""
    text = bare(re.sub(r"\s+", " ", FRAME.sub(" ", out)))
    return [w for w in re.findall(r"[^\W\d_]{3,}", DATA.sub(" ", text)) if w not in names]


@pytest.mark.parametrize("words", COMMANDS, ids=lambda w: " ".join(w) or "program")
def test_no_english_is_left_in_the_help_of_any_command(german, monkeypatch, words):
    monkeypatch.setenv("COLUMNS", "400")
    monkeypatch.chdir(german)
    ran = taretrace_here(*words, "--help")
    assert ran.code == 0
    names = {part for w in COMMANDS for part in "-".join(w).split("-")} | {"pytest", "python", "taretrace"}
    assert "⟦" in ran.out
    assert english_words(ran.out, names) == []


def test_english_in_a_help_text_is_noticed():
    assert english_words("│ --pdf  <bool>  ⟦Write the page.⟧ Open it │", set()) == ["Open"]


@pytest.mark.parametrize("words", COMMANDS, ids=lambda w: " ".join(w) or "program")
def test_every_help_text_is_in_the_catalogue(words):
    command = COMMANDS[words]
    texts = [command.help, command.epilog, *(getattr(p, "help", None) for p in command.params)]
    found = {m.id for m in texts_of_catalogue() if isinstance(m.id, str)}
    assert [p for text in texts if text for p in help_paragraphs(text) if p not in found] == []
    assert set(PARTS.values()) <= found


@pytest.mark.parametrize("place", ["argument", "option", "joined option", "inside"])
def test_the_workspace_of_a_call_is_found(german, tmp_path, place):
    words, here = {
        "argument": (["report", "shift", str(german), "--help"], tmp_path),
        "option": (["explain", "load", "7", "-w", str(german), "--help"], tmp_path),
        "joined option": (["map", f"--workspace={german}", "--help"], tmp_path),
        "inside": (["--help"], german / "inbox"),
    }[place]
    assert named_workspace(words, here) == german


def test_a_call_without_a_workspace_names_none(tmp_path):
    assert named_workspace(["fit", "x" * 5000, "a\0b", "--help"], tmp_path) is None


@pytest.mark.parametrize(
    ("environment", "locale"),
    [
        ({}, None),
        ({"LANG": "C.UTF-8"}, None),
        ({"LANG": "POSIX"}, None),
        ({"LANG": "pl_PL.UTF-8"}, "pl-PL"),
        ({"LANG": "pl_PL", "LC_MESSAGES": "fr_FR@euro"}, "fr-FR"),
        ({"LANG": "pl_PL", "LC_MESSAGES": "fr_FR", "LC_ALL": "de_DE.UTF-8"}, "de-DE"),
        ({"LANG": "pl_PL", "LC_ALL": "C"}, None),
    ],
)
def test_the_first_variable_that_is_set_names_the_language(environment, locale):
    assert environment_locale(environment) == locale


@pytest.mark.parametrize("language", ["de_DE.UTF-8", "fr_FR", "pl_PL"])
def test_help_without_a_workspace_follows_the_environment(tmp_path, monkeypatch, language):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LC_ALL", "C")
    english = taretrace_here("fit", "--help").out
    monkeypatch.setenv("LC_ALL", language)
    assert taretrace_here("fit", "--help").out != english
    monkeypatch.setenv("LC_ALL", "xx_YY")
    assert taretrace_here("fit", "--help").out == english


def test_the_help_of_map_names_every_kind_of_file():
    texts = [p.help for p in COMMANDS[("map",)].params if p.name == "kind"]
    assert set(re.findall(r"[a-z_]+", texts[0].rpartition(": ")[2])) == set(FileKind)
