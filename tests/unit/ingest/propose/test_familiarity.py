"""Certainty depends on independent pieces of evidence, and on how many names of the table the vocabulary recognizes."""

import datetime as dt
from pathlib import Path

import pytest

from tests.support.exports import ROWS, asked, column, proposal, sources, write_export
from transforms.ingest.propose.elsewhere import Found, is_certain_id
from transforms.ingest.propose.familiarity import is_exact, is_familiar
from transforms.ingest.propose.header import parse_name, parse_names
from transforms.ingest.propose.lexicon import package_lexicon
from transforms.ingest.propose.proposal import OPEN, SURE

START = dt.datetime(2025, 10, 13, 8)  # noqa: DTZ001
KNOWN = "Ticket;Weighed;Field;Factory;Delivered t"
STRANGE = ["Qwx", "Zzrk", "Vbnt", "Wqpl", "Xxcv", "Kkjh"]


def tickets(tmp_path: Path, *, strange: int) -> Path:
    """Write tickets with a number of columns that have unknown names."""
    extra = "".join(f";{name}" for name in STRANGE[:strange])
    cells = ";a" * strange
    rows = [
        f"T{700 + 3 * i};{START + dt.timedelta(minutes=16 * i):%d.%m.%Y %H:%M};F{i % 4};N;24.{i:02d}{cells}"
        for i in ROWS
    ]
    return write_export(tmp_path / "tickets.csv", KNOWN + extra, rows)


@pytest.mark.parametrize(
    ("name", "is_known"),
    [("Zuckergehalt", True), ("Field number", True), ("Fieldsman", False), ("Qwx", False), ("12", False)],
)
def test_words_recognized_by_their_beginning_or_not_at_all_are_not_exact(name, is_known):
    assert is_exact(parse_name(name, package_lexicon())) == is_known


def test_a_table_is_familiar_if_half_of_its_names_are_recognized():
    lexicon = package_lexicon()
    assert is_familiar(parse_names(["Ticket", "Field", "Qwx", "Zzrk"], lexicon))
    assert not is_familiar(parse_names(["Ticket", "Field", "Qwx", "Zzrk", "Vbnt"], lexicon))


def test_exact_words_alone_are_certain_only_in_a_familiar_table(tmp_path):
    familiar = proposal(tickets(tmp_path, strange=0))
    assert column(familiar, "field_id").confidence >= SURE
    strange = proposal(tickets(tmp_path, strange=6))
    assert column(strange, "field_id").confidence == OPEN
    assert asked(strange)["field_id"] == "Field"


def test_words_with_a_fitting_unit_are_certain_in_any_table(tmp_path):
    proposed = proposal(tickets(tmp_path, strange=6))
    assert column(proposed, "delivered_t").confidence >= SURE


def test_ids_of_the_workspace_are_certain_in_any_table(tmp_path):
    proposed = proposal(tickets(tmp_path, strange=6), known={"field_id": {"F0", "F1", "F2", "F3"}})
    assert column(proposed, "field_id").confidence >= SURE


def test_initials_under_a_word_like_field_are_not_certainly_a_field(tmp_path):
    rows = [f"T{i};{START + dt.timedelta(hours=i):%d.%m.%Y %H:%M};{['kh', 'MW', 'tp'][i % 3]};N;24.5" for i in ROWS]
    proposed = proposal(write_export(tmp_path / "t.csv", "Ticket;Weighed;Fieldsman;Factory;Delivered t", rows))
    assert "field_id" in asked(proposed)


def test_a_parcel_number_is_not_an_outline(tmp_path):
    rows = [f"F{i};G{i % 5};{3 + i}/14{i};{10 + i}.5" for i in ROWS]
    proposed = proposal(write_export(tmp_path / "fields.csv", "Field;Grower;Boundary;Area ha", rows))
    assert "boundary" not in sources(proposed)


@pytest.mark.parametrize(
    ("above", "named", "known", "is_certain"),
    [
        ("R07", None, (), True),
        ("7015", None, (), True),
        ("6", None, (), False),
        ("6", None, ("6",), True),
        ("R07", "R08", (), False),
        ("R07", "R07", (), True),
    ],
)
def test_an_id_above_the_header_is_certain_without_a_rival_or_by_a_join(above, named, known, is_certain):
    named_id = None if named is None else Found("", named)
    assert is_certain_id(Found("", above), named_id, frozenset(known)) == is_certain


def test_the_number_of_a_display_is_asked_about_and_read_from_its_line_if_accepted(tmp_path):
    rows = [f"{START + dt.timedelta(seconds=5 * i):%d.%m.%Y %H:%M:%S};7.{i % 9};5.1" for i in ROWS]
    header = "Maschine: 6\nZeit (UTC);Rodetiefe cm;Fahrgeschwindigkeit km/h"
    path = write_export(tmp_path / "log.csv", header, rows)
    assert asked(proposal(path)) == {"machine_id": "=6"}
    accepted = proposal(path, machine_id="=6")
    assert "preamble" in column(accepted, "machine_id").row
    assert not accepted.questions
    assert column(proposal(path, machine_id="=R7"), "machine_id").row == {"value": "R7"}


@pytest.mark.parametrize(("name", "is_asked"), [("Tara t", False), ("Qwx tara t", True)])
def test_a_weight_beside_gross_without_arithmetic_is_empty_only_by_all_its_words(tmp_path, name, is_asked):
    rows = [
        f"T{i};{START + dt.timedelta(minutes=16 * i):%d.%m.%Y %H:%M};F{i % 4};N;40.{i:02d};1{5 + i % 3}.2" for i in ROWS
    ]
    path = write_export(tmp_path / "t.csv", f"Ticket;Weighed;Field;Factory;Brutto t;{name}", rows)
    assert ("truck_empty_t" in asked(proposal(path))) == is_asked


def test_an_open_kind_is_the_only_question(tmp_path):
    rows = [f"{i};{i * 7 % 5};{i * 3 % 7}" for i in ROWS]
    assert list(asked(proposal(write_export(tmp_path / "x.csv", "Alpha x;Beta y;Gamma z", rows)))) == ["kind"]


@pytest.mark.parametrize(("signs", "is_asked"), [("Dirt (%)", True), ("Dirt (%);Crown (%)", False)])
def test_a_kind_with_one_sign_in_a_strange_table_is_asked_about(tmp_path, signs, is_asked):
    shown = ";".join(["7.5", "2.1"][: signs.count(";") + 1])
    strange = 5 if signs.count(";") else 4
    header = ";".join(["Sample", "Ticket", signs, *STRANGE[:strange]])
    rows = [f"S{i};T{i};{shown}" + ";a" * strange for i in ROWS]
    assert ("kind" in asked(proposal(write_export(tmp_path / "x.csv", header, rows)))) == is_asked


def test_a_kind_with_one_sign_in_a_familiar_table_is_certain(tmp_path):
    rows = [f"S{i};T{i};{7 + i % 9}.5" for i in ROWS]
    assert "kind" not in asked(proposal(write_export(tmp_path / "x.csv", "Sample;Ticket;Dirt (%)", rows)))


def test_columns_that_both_checks_have_do_not_show_a_second_kind(tmp_path):
    at = [START + dt.timedelta(hours=i) for i in ROWS]
    rows = [f"B{i};{t:%d.%m.%Y %H:%M};{9000 + i};50;{i % 5};{i % 7};{i % 3};3.{i % 9}" for i, t in enumerate(at)]
    header = "Check;Checked;Ticket;Checked roots;Slanting;Piece 2-4 cm;Piece 4-6 cm;Scalp diameter (cm)"
    proposed = proposal(write_export(tmp_path / "check.csv", header, rows), kind="root_check")
    assert proposed.kind == "root_check"


def test_a_column_is_left_out_by_the_answer_about_its_unit(tmp_path):
    path = write_export(
        tmp_path / "t.csv",
        "Ticket;Weighed;Field;Factory;Delivered t;Clean weight",
        [f"T{i};{START + dt.timedelta(hours=i):%d.%m.%Y %H:%M};F{i % 4};N;24.{i:02d};22.{i:02d}" for i in ROWS],
    )
    (question,) = [q for q in proposal(path).questions if q.key == "clean_t.unit"]
    assert "skip" in question.choices
    left = proposal(path, **{"clean_t.unit": "skip"})
    assert "clean_t" not in sources(left)
    assert "clean_t.unit" not in asked(left)
