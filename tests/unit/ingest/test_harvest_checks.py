"""Reading of root checks and of dig-behind audits: any subset of measurements, any shape of plot, in their units."""

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from tests.support.harvest_checks import LINKS, mapped, measured
from tests.support.taking import Taken, take
from transforms.config.problems import ConfigError
from transforms.contracts.harvest_checks import (
    AUDIT_PIECES,
    BREAK_CLASSES,
    CHECK_RESULTS,
    CHECKS_NEED,
    TOPPING_CLASSES,
    LossAudit,
    RootCheck,
)
from transforms.contracts.reason import codes_of
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_file import read_mapping

LINK = {"Check": "C1", "Checked": "2025-10-01 14:30", "Ticket": "T9", "Machine": "", "Field": "", "Place": "Bunker"}
DUG = {"Audit": "A1", "Machine": "M1", "Field": "F1", "Dug": "2025-10-01 12:00"}
SUBSETS = [
    TOPPING_CLASSES,
    TOPPING_CLASSES[:1],
    BREAK_CLASSES,
    BREAK_CLASSES[2:],
    ("scalp_diameter_cm",),
    ("damaged_area_cm2_per_100_roots", "severely_damaged_count"),
    ("root_mass_kg", "petiole_length_cm"),
    CHECK_RESULTS,
]


def mapping_of(tmp_path: Path, text: str, catalogue) -> Mapping:
    path = tmp_path / "own.toml"
    path.write_text(text)
    return read_mapping(path, catalogue)


def write(path: Path, rows: list[dict[str, object]]) -> Path:
    if path.suffix == ".xlsx":
        with xlsxwriter.Workbook(path) as book:
            sheet = book.add_worksheet("Checks")
            for i, cells in enumerate([list(rows[0]), *(list(r.values()) for r in rows)]):
                sheet.write_row(i, 0, cells)
    else:
        lines = [",".join(rows[0]), *(",".join(str(v) for v in r.values()) for r in rows)]
        path.write_text("\n".join(lines) + "\n")
    return path


def checks(tmp_path: Path, catalogue, rows: list[dict[str, object]], form: str = "csv") -> Taken:
    names = [n for n in rows[0] if n in RootCheck.columns()]
    path = write(tmp_path / f"root_checks.{form}", [{**LINK, "Roots": 100, **row} for row in rows])
    return take(path, mapping_of(tmp_path, measured(*names), catalogue), catalogue)


def audits(tmp_path: Path, catalogue, row: dict[str, Any], **columns: tuple[str, str | None]) -> Taken:
    path = write(tmp_path / "audits.csv", [{**DUG, **row}])
    return take(path, mapping_of(tmp_path, mapped(**columns), catalogue), catalogue)


@pytest.mark.parametrize("form", ["csv", "xlsx"])
@pytest.mark.parametrize("names", SUBSETS, ids=len)
def test_a_root_check_with_any_subset_of_measurements_is_read(tmp_path, catalogue, form, names):
    value = {"root_mass_kg": 850, "scalp_diameter_cm": 35}
    out = checks(tmp_path, catalogue, [{n: value.get(n, 2.0) for n in names}], form)
    row = out.accepted.row(0, named=True)
    assert row["checked_at"] == dt.datetime(2025, 10, 1, 12, 30, tzinfo=dt.UTC)
    assert (row["load_id"], row["machine_id"], row["place"], row["checked_roots_count"]) == ("T9", None, "tank", 100)
    stored = {"root_mass_kg": 0.85, "scalp_diameter_cm": 3.5}
    assert {n: row[n] for n in names} == pytest.approx({n: stored.get(n, 2.0) for n in names})
    assert {row[n] for n in set(CHECK_RESULTS) - set(names)} <= {None}
    assert out.received.from_at == row["checked_at"]


@pytest.mark.parametrize(
    ("cells", "code"),
    [
        ({"slanting_count": ""}, "check_without_result"),
        ({"slanting_count": 1, "Ticket": ""}, "check_without_link"),
        ({"clean_topped_count": 60, "over_topped_count": 41}, "topping_exceeds_checked"),
        ({"broken_2_4_cm_count": 60, "broken_4_6_cm_count": 41}, "breaks_exceed_checked"),
        ({"slightly_damaged_count": 101}, "damage_exceeds_checked"),
        ({"slanting_count": 1, "Roots": 0}, "not_above_bound"),
        ({"slanting_count": -1}, "below_minimum"),
        ({"slanting_count": 1, "Checked": ""}, "column_empty"),
        ({"slanting_count": 1, "Place": "Keller"}, "word_not_known"),
    ],
)
def test_a_root_check_that_cannot_be_is_rejected_with_its_reason(tmp_path, catalogue, cells, code):
    out = checks(tmp_path, catalogue, [cells])
    assert code in codes_of(*out.rejected.select("reason_code", "reason_args").row(0))
    assert out.accepted.height == 0


def test_a_place_that_no_words_explain_is_rejected(tmp_path, catalogue):
    text = measured("slanting_count").replace('words = { Bunker = "tank", Miete = "pile", Hof = "yard" }\n', "")
    path = write(tmp_path / "root_checks.csv", [{**LINK, "Roots": 100, "slanting_count": 1, "Place": "cellar"}])
    out = take(path, mapping_of(tmp_path, text, catalogue), catalogue)
    assert [c for c, _ in out.reasons] == ["place_unknown"]


def test_every_root_in_one_class_is_within_the_roots_checked(tmp_path, catalogue):
    out = checks(tmp_path, catalogue, [{"clean_topped_count": 60, "over_topped_count": 40}])
    assert out.rejected.height == 0


FEET = {"plot_length_m": ("Length ft", "ft"), "plot_rows_count": ("Rows", None), "row_spacing_cm": ("Spacing in", "in")}
SHAPES = [
    (
        {"Plot": 20, "Broken": 30},
        {"plot_m2": ("Plot", "m2"), "broken_count": ("Broken", None)},
        {"plot_m2": 20.0, "broken_count": 30.0},
    ),
    (
        {"Length ft": 10, "Rows": 6, "Spacing in": 22, "Lost lb": 3},
        {**FEET, "lost_mass_kg": ("Lost lb", "lb")},
        {"plot_length_m": 3.048, "plot_rows_count": 6.0, "row_spacing_cm": 55.88, "lost_mass_kg": 1.36077711},
    ),
    (
        {"Roots": 100, "Whole": 2, "Plants": 95},
        {
            "sampled_roots_count": ("Roots", None),
            "whole_roots_count": ("Whole", None),
            "stand_plants_per_ha": ("Plants", "1000/ha"),
        },
        {"sampled_roots_count": 100.0, "stand_plants_per_ha": 95_000.0},
    ),
    ({"Loss": 1.2}, {"root_loss_t_ha": ("Loss", "short_ton/acre")}, {"root_loss_t_ha": 1.2 * 2.2417023}),
    (
        {"Tips": 12, "Whole": 6},
        {"tip_loss_t_ha": ("Tips", "dt/ha"), "whole_root_loss_t_ha": ("Whole", "dt/ha")},
        {"tip_loss_t_ha": 1.2, "whole_root_loss_t_ha": 0.6},
    ),
]
"""Cells of an audit, the columns that its mapping reads, and the values stored."""


@pytest.mark.parametrize(("cells", "columns", "stored"), SHAPES)
def test_an_audit_of_any_shape_is_stored_in_metric_units(tmp_path, catalogue, cells, columns, stored):
    row = audits(tmp_path, catalogue, cells, **columns).accepted.row(0, named=True)
    assert {n: row[n] for n in stored} == pytest.approx(stored)


@pytest.mark.parametrize(
    ("cells", "code"),
    [
        ({}, "audit_without_result"),
        ({"broken_count": 30}, "audit_without_plot"),
        ({"broken_count": 30, "plot_length_m": 10}, "audit_without_plot"),
        ({"broken_count": 30, "plot_m2": 20, "broken_2_4_cm_count": 31}, "classes_exceed_broken"),
        ({"tip_loss_t_ha": 2.0, "whole_root_loss_t_ha": 1.0, "root_loss_t_ha": 2.8}, "parts_exceed_root_loss"),
    ],
)
def test_an_audit_that_cannot_be_is_rejected_with_its_reason(tmp_path, catalogue, cells, code):
    columns = (
        "plot_m2",
        "plot_length_m",
        "broken_count",
        "broken_2_4_cm_count",
        "tip_loss_t_ha",
        "whole_root_loss_t_ha",
        "root_loss_t_ha",
    )
    units = {"plot_m2": "m2", "plot_length_m": "m"} | {n: "t/ha" for n in columns if n.endswith("t_ha")}
    row = {n: cells.get(n, "") for n in columns}
    out = audits(tmp_path, catalogue, row, **{n: (n, units.get(n)) for n in columns})
    assert [c for c, _ in out.reasons] == [code]


def test_rounded_parts_may_exceed_a_rounded_sum(tmp_path, catalogue):
    names = ("tip_loss_t_ha", "whole_root_loss_t_ha", "root_loss_t_ha")
    row = dict(zip(names, (1.2, 0.5, 1.6), strict=True))
    assert audits(tmp_path, catalogue, row, **{n: (n, "t/ha") for n in names}).rejected.height == 0


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("root_check", measured()),
        ("root_check", measured("slanting_count").replace(LINKS, "")),
        ("loss_audit", mapped(plot_m2=("Plot", "m2"), root_mass_kg=("Root", "kg"))),
    ],
)
def test_a_mapping_without_any_column_of_a_needed_group_is_refused(tmp_path, catalogue, kind, text):
    with pytest.raises(ConfigError) as refused:
        mapping_of(tmp_path, text, catalogue)
    problem = refused.value.problems[0]
    assert problem.code == "missing_key"
    assert problem.key in {group[0][0] for group in CHECKS_NEED[kind]}


def test_the_needed_groups_are_columns():
    assert set(AUDIT_PIECES) <= set(LossAudit.columns())
    for kind, schema in (("loss_audit", LossAudit), ("root_check", RootCheck)):
        assert {c for group in CHECKS_NEED[kind] for (c,) in group} <= set(schema.columns())
