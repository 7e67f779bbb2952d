"""Names of files and anchors for ids."""

import itertools
import re

import pytest

from transforms.contracts.naming import safe_name
from transforms.ingest.corrections import corrections_name
from transforms.ingest.mapping import CORRECTIONS_PREFIX, original_name

IDS = (
    "A/1",
    "A_1",
    "A-1",
    "a1",
    "A1",
    "a/1",
    "one",
    "ONE",
    "One",
    "ä1",
    "Ä1",
    "",
    "..",
    "../A1",
    "A 1",
    "{0}",
    "%s",
    "\u05d01",
    "CON",
    "x" * 200,
    "x" * 201,
    "X" * 200,
)


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(IDS, 2)))
def test_two_ids_never_share_a_name_even_if_case_is_ignored(one, other):
    assert safe_name(one).casefold() != safe_name(other).casefold()


@pytest.mark.parametrize("text", IDS)
def test_a_name_is_safe_and_is_no_ids_own_name_once_it_has_a_suffix(text):
    name = safe_name(text)
    assert re.fullmatch(r"[\w-]{1,60}", name)
    if name != text:
        assert safe_name(name) != name


@pytest.mark.parametrize("text", ["T000123", "G003", "M01", "one", "A_1", "2025-10-01"])
def test_usual_ids_are_their_own_names(text):
    assert safe_name(text) == text


def test_rejected_rows_of_two_files_of_one_name_go_into_two_files_that_the_same_mapping_reads():
    taken: set[str] = set()
    names = [
        corrections_name(file, taken)
        for file in ("a/tickets.csv", "b/tickets.csv", "Tickets.csv", f"{CORRECTIONS_PREFIX}x.csv")
    ]
    assert len({n.casefold() for n in names}) == 4
    assert [original_name(n) for n in names] == ["tickets.csv", "tickets.csv", "Tickets.csv", "x.csv"]


def test_no_name_is_a_device_on_windows():
    names = [safe_name(text) for text in ("con", "aux", "nul", "prn", "COM1", "LPT9", "Con", "con.x")]
    assert all("-x0" in name for name in names)
    assert len(set(names)) == len(names)
    assert safe_name("cone") == "cone"
