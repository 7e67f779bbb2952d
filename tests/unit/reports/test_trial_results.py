"""Results of trials on the season report: a summary and a table per trial, also of trials read by earlier versions."""

import polars as pl
import pytest

from reports.language.display_units import DisplayUnits
from reports.page.model import Prose
from reports.page.tables import Table
from reports.sections.trial_results import evidence_text, trial_results
from tests.unit.trial.test_readings import PLAN, checks, diluted, read
from tests.unit.trial.test_trial import facts
from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, UNDER_TOPPED
from transforms.config.settings_catalogue import load_catalogue
from transforms.contracts.result_tables import schema_of
from transforms.trial.analysis import TrialEstimate

METRIC = DisplayUnits("metric", "EUR", "Europe/Prague")


def stored(trial_id: str, *estimates: TrialEstimate) -> pl.DataFrame:
    head = {
        "trial_id": trial_id,
        "machine_id": "M1",
        "field_id": "F1",
        "shift_date": PLAN.shift_date,
        "setting": PLAN.setting,
        "value_a": PLAN.values[0],
        "value_b": PLAN.values[1],
    }
    return pl.DataFrame([{**head, **e.columns} for e in estimates], schema=schema_of("trial_result"))


def shown(results: pl.DataFrame) -> tuple[list[Prose], list[Table]]:
    blocks = list(trial_results(results, load_catalogue(), METRIC))
    return [b for b in blocks if isinstance(b, Prose)], [b for b in blocks if isinstance(b, Table)]


def test_each_trial_has_a_summary_and_a_row_for_each_response():
    found = read(PLAN, diluted(0.6), root_check_fact=checks(facts(PLAN, 0.0)))
    # The catalogue's order of responses, whatever the stored order.
    rows = pl.concat([stored("T002", found[DIRT]), stored("T001", *reversed(found.values()))])
    texts, tables = shown(rows)
    assert [t.id for t in tables] == ["trial-T001", "trial-T002"]
    assert [len(t.rows) for t in tables] == [len((DIRT, UNDER_TOPPED, OVER_TOPPED, DAMAGED)), 1]
    assert len(texts) == 1 + len(tables)
    dirt = tables[0].rows[0].cells
    assert [dirt[k].value for k in (1, 2, 3)] == pytest.approx(
        [8, found[DIRT].effect_pct, found[DIRT].traced.effect_pct]
    )
    assert dirt[2].lo == found[DIRT].lo95
    assert dirt[3].hi == found[DIRT].traced.hi95


def test_a_trial_read_by_an_earlier_version_has_its_planned_reading():
    later = (
        "traced_pairs",
        "traced_share",
        "traced_effect_pct",
        "traced_lo95",
        "traced_hi95",
        "traced_reason_code",
        "traced_reason_args",
        "anytime_lo95",
        "anytime_hi95",
        "e_value",
        "stop_code",
    )
    row = stored("T001", read(PLAN, facts(PLAN, -0.1))[DIRT]).with_columns(
        pl.lit(None, dtype=schema_of("trial_result")[c]).alias(c) for c in later
    )
    texts, (table,) = shown(row)
    assert len(texts) == 2
    assert [cell.value for cell in table.rows[0].cells[3:6]] == [None] * 3


def test_a_trial_of_parts_names_them_and_its_days():
    of_parts = {
        "setting": "cleaning_elements",
        "part_a": "smooth bars",
        "part_b": "tines",
        "wetness_class": "wet",
        "machine_id": "M1, M2",
        "field_id": "",
    }
    row = stored("T001", read(PLAN, facts(PLAN, -0.1))[DIRT]).with_columns(
        pl.lit(value).alias(name) for name, value in of_parts.items()
    )
    (_, about), (table,) = shown(row)
    for word in ("M1, M2", "all cleaning stages", "smooth bars", "tines", "wet"):
        assert word in about.text
    found = read(PLAN, facts(PLAN, -0.1))[DIRT]
    assert found.anytime is not None
    assert [table.rows[0].cells[4].lo, table.rows[0].cells[4].hi] == list(found.anytime)


def test_evidence_is_shown_as_far_as_it_matters():
    assert evidence_text(None) == "–"
    assert evidence_text(0.444) == "0.4"
    assert evidence_text(49.99) == "49"  # not the 50 that would be enough
    assert evidence_text(1e300) == evidence_text(1001.0) != evidence_text(1000.0)
