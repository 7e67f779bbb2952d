"""Fitted parts on pages: advice is a command with its gain; anything less is called no advice and has a trial."""

import datetime as dt
from typing import Any

import polars as pl
import pytest

from reports.language.display_units import DisplayUnits
from reports.language.reason_text import row_reason
from reports.page.model import Prose, Section
from reports.page.tables import Table
from reports.sections.part_trials import trials_of_undecided
from reports.sections.parts_ahead import (
    compared_section,
    not_a_choice,
    part_command,
    part_notes,
    parts_evidence,
    parts_section,
)
from transforms.advice.part_advice import PART_ADVICE_SCHEMA
from transforms.contracts.result_tables import schema_of
from transforms.model.fitted_parts import PART_SCHEMA

SHOWN = DisplayUnits("metric", "EUR", "Europe/Prague")


def change(**changed: Any) -> dict[str, Any]:
    row = {
        "machine_id": "M1",
        "field_id": "F1",
        "place": "cleaner_1",
        "part_now": "bars",
        "part": "tines",
        "from_date": dt.date(2025, 11, 6),
        "to_date": dt.date(2025, 11, 8),
        "wetness_class": "wet",
        "change_pct": -16.7,
        "lo95": -24.0,
        "hi95": -8.0,
        "machines": 6,
        "n": 200,
        "clean_t": 1200.0,
        "workshop_cost": 150.0,
        "gain": 480.0,
        "gain_lo95": 120.0,
        "gain_hi95": 900.0,
        "probability_better": 0.96,
        "trial_pairs": 11,
        "trial_detect_pct": 17.0,
        "trial_cost": 2475.0,
        "verdict": "fit",
        "reason_code": "part_between_visits",
        "reason_args": '{"machines": 6}',
    }
    return {**row, **changed}


def rows(*changes: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(changes), schema=PART_ADVICE_SCHEMA)


def words(section: Section | None) -> list[str]:
    assert section is not None
    return [block.text for block in section.blocks if isinstance(block, Prose)]


def suggested() -> dict[str, Any]:
    """Return a suggested trial of a part."""
    return {
        "setting": "cleaning_elements",
        "part_now": "tines",
        "part": "bars",
        "wetness_class": None,
        "reason_code": "part_confounded",
        "reason_args": "{}",
        "n": 77,
        "step": 1.0,
        "unit": "part",
        "machine_id": "M1, M2",
        "detect_pct": 10.0,
        "pairs": 40,
        "machine_days": 40.0,
        "workshop_cost": 9000.0,
    }


def wanted(*rows_: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(rows_), schema=schema_of("trial_wanted"))


def test_machines_with_the_same_question_share_a_trial():
    trials = trials_of_undecided(rows(change(verdict="trial"), change(machine_id="M2", verdict="trial")))
    (trial,) = trials.rows(named=True)
    assert (trial["machine_id"], trial["pairs"], trial["machine_days"]) == ("M1, M2", 11, 12.0)


def test_an_advised_part_is_named_with_its_day_and_gain_and_on_evidence_with_interval_and_n(catalogue):
    row = change()
    (line,) = words(parts_section(rows(row), SHOWN))
    (more,) = words(parts_evidence(rows(row), catalogue, SHOWN))
    for part in (part_command(row, SHOWN), "480", "120", "900", "150"):
        assert part in line
        assert part in more
    for part in ("-17", "-24", "-8", "200", "96"):
        assert part in more.replace("−", "-")


def test_a_change_that_is_open_is_evidence_only(catalogue):
    wet = {"reason_code": "part_wet_weather", "reason_args": '{"gap": 0.3}'}
    trial = change(machine_id="M2", gain=900.0, verdict="trial", **wet)
    assert ["M1" in x for x in words(parts_section(rows(trial, change()), SHOWN))] == [True]
    assert parts_section(rows(trial), SHOWN) is None
    section = parts_evidence(rows(trial, change()), catalogue, SHOWN)
    assert section is not None
    table, trials = (b for b in section.blocks if isinstance(b, Table))
    assert [c.text for c in table.rows[0].cells][::7] == ["M2", row_reason(trial, catalogue)]
    assert [c.text for c in trials.rows[0].cells][4:] == [
        "17",
        "11",
        "M2",
        "22",
        "2,475",
        "taretrace trial plan --setting cleaner_1_elements --to tines --machine M2 --topsoil wet --detect-pct 17",
    ]
    assert part_notes(rows(trial), "M2", SHOWN) == []
    (note,) = part_notes(rows(trial, change()), "M1", SHOWN)
    assert note[1:-1] == part_command(change(), SHOWN)[1:]


def test_the_first_page_has_the_three_changes_of_most_worth():
    many = rows(*(change(machine_id=f"M{k}", gain=100.0 * k) for k in range(1, 6)))
    assert [line[:2] for line in words(parts_section(many, SHOWN))] == ["M5", "M4", "M3"]


def test_without_changes_there_is_no_section(catalogue):
    assert parts_section(rows(), SHOWN) is None
    assert parts_evidence(rows(), catalogue, SHOWN) is None
    assert compared_section(pl.DataFrame(schema=PART_SCHEMA), wanted(), catalogue, SHOWN) is None


@pytest.mark.parametrize("estimate", [20.0, None])
def test_the_comparison_shows_every_class_with_its_n(estimate, catalogue):
    end = None if estimate is None else 4.0
    row = {
        "response": "dirt_tare_pct",
        "place": "cleaning",
        "part": "bars",
        "compared_with": "tines",
        "wetness_class": None,
        "change_pct": estimate,
        "lo95": end,
        "hi95": end,
        "machines": 2,
        "n": 77,
        "pairs": None,
        "wetness_gap": 0.0,
        "reason_code": "part_one_machine",
        "reason_args": "{}",
    }
    # Rows of every response are shown, dirt first.
    loss = {**row, "response": "root_loss_t_ha", "n": 31, "change_pct": -8.0}
    section = compared_section(pl.DataFrame([loss, row], schema=PART_SCHEMA), wanted(suggested()), catalogue, SHOWN)
    assert section is not None
    assert [b.id for b in section.blocks if isinstance(b, Table)] == ["parts-compared", "part-trials"]
    without = compared_section(pl.DataFrame([row], schema=PART_SCHEMA), wanted(), catalogue, SHOWN)
    assert without is not None
    assert [type(b) for b in without.blocks] == [Table, Prose, Prose]
    of_dirt, of_loss = ([cell.text for cell in r.cells] for r in section.blocks[0].rows)
    assert {"bars", "tines", "77"} <= set(of_dirt)
    assert {"bars", "tines", "31", "−8"} <= set(of_loss)
    assert of_dirt[0] != of_loss[0]


def test_the_reason_why_parts_are_no_choice_is_that_of_their_comparison(catalogue):
    row = {
        "response": "dirt_tare_pct",
        "place": "cleaning",
        "part": "bars",
        "compared_with": "tines",
        "machines": 4,
        "n": 77,
    }
    rows = pl.DataFrame([{**row, "reason_code": "part_one_machine", "reason_args": "{}"}], schema=PART_SCHEMA)
    assert row_reason(rows.row(0, named=True), catalogue) in not_a_choice(rows, catalogue)
    estimated = rows.with_columns(change_pct=-12.0, lo95=-19.0, hi95=-4.0, reason_code=pl.lit("part_confounded"))
    assert len({not_a_choice(r, catalogue) for r in (rows, rows.head(0), estimated)}) == 3
