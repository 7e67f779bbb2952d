"""No sheet of a workbook is left out without a word: it is proposed, asked about, or named as not read."""

from pathlib import Path
from typing import Any

import pytest

from tests.support.exports import ROWS, proposals
from tests.support.workbooks import write_book
from transforms.ingest.propose.proposal import IGNORE, Proposal

TICKETS = ["Ticket", "Weighed", "Field", "Factory", "Delivered (t)"]
STRANGE = ["Blurb", "Wobble", "Zorp"]


def answered(path: Path, **answers: Any) -> list[Proposal]:
    return proposals(path, **{f"{sheet}:kind": kind for sheet, kind in answers.items()})


def tickets() -> list[list[Any]]:
    return [TICKETS, *([f"T{i}", f"2025-10-13 08:{i:02d}", f"F{i % 3}", "N", 24.5 + i / 10] for i in ROWS)]


def strange() -> list[list[Any]]:
    return [STRANGE, *([f"{i * 7 % 5}", i * 3 % 7, i % 4] for i in ROWS)]


@pytest.fixture
def path(tmp_path):
    return write_book(
        tmp_path / "w.xlsx", {"Cover": [["The season"]], "Loads": tickets(), "Blurbs": strange(), "None": []}
    )


def test_a_sheet_of_unknown_rows_is_asked_about_beside_one_that_is_known(path):
    found = {p.prefix: p for p in proposals(path)}
    assert found["Loads:"].kind == "load"
    assert "Loads:kind" not in {q.key for q in found["Loads:"].questions}
    (question,) = found["Blurbs:"].questions
    assert question.key == "Blurbs:kind"
    assert question.choices[-1] == question.guess == IGNORE
    assert "field" in question.choices


def test_a_sheet_without_a_table_is_named_as_not_read_and_an_empty_one_is_not(path):
    assert {tuple(p.unread_sheets) for p in proposals(path)} == {("Cover",)}


def test_a_sheet_that_is_not_needed_is_named_as_not_read(path):
    (load,) = answered(path, Blurbs=IGNORE)
    assert load.kind == "load"
    assert load.unread_sheets == ["Blurbs", "Cover"]
    assert load.layout["sheet"] == "Loads"


def test_a_kind_that_is_answered_for_a_sheet_gives_a_mapping_of_it(path):
    found = {p.kind: p for p in answered(path, Blurbs="root_check")}
    assert set(found) == {"load", "root_check"}
    assert found["root_check"].layout["sheet"] == "Blurbs"


def test_a_kind_that_is_set_for_the_file_reads_its_best_sheet_and_names_the_others(path):
    (load,) = proposals(path, kind="load")
    assert load.layout["sheet"] == "Loads"
    assert load.unread_sheets == ["Blurbs", "Cover"]


def test_two_sheets_of_unknown_rows_are_both_asked_about_and_one_must_be_needed(tmp_path):
    other: list[list[Any]] = [["Glorp", "Snark", "Flim", "Dreb"], *([i * 5 % 7, i * 3 % 4, i % 3, i % 2] for i in ROWS)]
    path = write_book(tmp_path / "w.xlsx", {"A": strange(), "B": other})
    assert {q.key for p in proposals(path) for q in p.questions} == {"A:kind", "B:kind"}
    again = answered(path, A=IGNORE, B=IGNORE)
    assert [q.choices[-1] != IGNORE for p in again for q in p.questions if q.key.endswith("kind")] == [True]


def test_a_workbook_with_one_table_has_keys_without_its_sheet(tmp_path):
    path = write_book(tmp_path / "w.xlsx", {"Cover": [["x"]], "A": strange()})
    (only,) = proposals(path)
    (question,) = only.questions
    assert (question.key, IGNORE in question.choices, only.unread_sheets) == ("kind", False, ["Cover"])
