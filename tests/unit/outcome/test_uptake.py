"""Uptake of moves: how far, how long, from when; and why it is unknown."""

import datetime as dt

import polars as pl
import pytest

from tests.support.invented_uptake import FIRST_SHIFT, HALF_MINUTES, invent
from transforms.contracts.result_tables import schema_of
from transforms.outcome.uptake import CODES, REASONS, uptake

BEGINS = dt.datetime.combine(FIRST_SHIFT, dt.time(6), dt.UTC)
SETTING = "cleaner_1_speed_rpm"


def a_move(**other: object) -> pl.DataFrame:
    row = {
        "machine_id": "M1",
        "shift_date": FIRST_SHIFT,
        "setting": SETTING,
        "unit": "rpm",
        "move_number": 1,
        "operator_id": "O1",
        "field_id": "F1",
        "issued_at": BEGINS,
        "from_value": 50.0,
        "to_value": 60.0,
        "wetness_class": "moist",
        "fingerprint": "",
        "is_withheld": False,
    }
    return pl.DataFrame([row | other], schema_overrides={"field_id": pl.String})


def worked(*levels: tuple[int, float | None], field_id: str = "F1") -> pl.DataFrame:
    values = [value for count, value in levels for _ in range(count)]
    times = [BEGINS + dt.timedelta(seconds=30 * k) for k in range(len(values))]
    frame = pl.DataFrame({SETTING: values, "bin_at": times}, schema_overrides={SETTING: pl.Float64})
    return frame.with_columns(machine_id=pl.lit("M1"), shift_date=FIRST_SHIFT, field_id=pl.lit(field_id), work_s=30.0)


def hours(wetness: float | None, field_id: str = "F1") -> pl.DataFrame:
    times = [BEGINS + dt.timedelta(hours=h) for h in range(-1, 12)]
    return pl.DataFrame({"field_id": field_id, "hour_at": times}).with_columns(
        pl.lit(wetness, pl.Float64).alias("topsoil_wetness")
    )


def found(bins: pl.DataFrame, wet: pl.DataFrame | None = None, **other: object) -> dict[str, object]:
    return uptake(a_move(**other), bins, hours(0.5) if wet is None else wet).row(0, named=True)


@pytest.mark.parametrize(
    ("levels", "code", "share"),
    [
        ([(200, 60.0)], "followed", 1.0),
        ([(200, 80.0)], "followed", 1.0),
        ([(200, 55.0)], "partly", 0.5),
        ([(100, 50.0), (100, 60.0)], "partly", 0.5),
        ([(200, 50.0)], "not", 0.0),
        ([(200, 40.0)], "opposite", -1.0),
        ([(100, 40.0), (100, 60.0)], "not", 0.0),
    ],
)
def test_the_share_of_the_step_over_the_shift_decides(levels, code, share):
    row = found(worked(*levels))
    assert row["uptake_code"] == code
    assert row["made_share"] == pytest.approx(share, abs=0.03)
    assert row["reason_code"] is None


def test_when_how_far_and_how_long():
    row = found(worked((100, 50.0), (50, 58.0), (50, 50.0)))
    assert row["first_at"] == BEGINS + dt.timedelta(seconds=30 * 100)
    assert row["step_share"] == pytest.approx(0.8)
    assert row["time_share"] == pytest.approx(0.25, abs=0.02)
    assert row["judged_s"] == 6000.0
    assert found(worked((200, 50.0)))["first_at"] is None


def test_outliers_and_a_flagged_stretch_do_not_count():
    bins = worked((50, 60.0), (2, 500.0), (50, None), (98, 60.0))
    row = found(bins)
    assert (row["uptake_code"], row["made_share"], row["judged_s"]) == ("followed", 1.0, 150 * 30.0)
    spiked = found(worked((50, 50.0), (3, 60.0), (100, 50.0)))
    assert (spiked["first_at"], spiked["time_share"]) == (None, 0.0)


@pytest.mark.parametrize(
    ("bins", "wet", "reason"),
    [
        (worked((59, 60.0)), None, "no_log"),
        (worked((59, 60.0), (200, None)), None, "no_reading"),
        (worked((200, 60.0)).drop(SETTING), None, "no_reading"),
        (worked((200, 60.0), field_id="F2"), None, "other_field"),
        (worked((200, 60.0)), hours(0.9), "other_conditions"),
    ],
)
def test_uptake_is_unknown_with_too_little_to_judge(bins, wet, reason):
    row = found(bins, wet)
    assert (row["uptake_code"], row["reason_code"]) == ("unknown", reason)
    assert [row[c] for c in ("made_share", "first_at", "step_share", "time_share")] == [None] * 4


def test_conditions_that_are_not_known_do_not_prevent_a_judgement():
    bins = worked((200, 60.0))
    assert found(bins, hours(None))["uptake_code"] == "followed"
    assert found(bins, field_id=None, wetness_class=None)["uptake_code"] == "followed"
    assert found(worked((60, 60.0)))["uptake_code"] == "followed"


def test_a_move_without_any_bin_is_unknown_and_the_columns_are_those_of_the_table():
    table = uptake(a_move(), worked((1, 1.0)).clear(), hours(0.5))
    assert table.schema == schema_of("advice_uptake")
    assert table.select("uptake_code", "reason_code", "judged_s").rows() == [("unknown", "no_log", 0.0)]
    assert uptake(a_move().clear(), worked((9, 1.0)), hours(0.5)).schema == schema_of("advice_uptake")


def test_invented_shifts_are_classified_by_what_operators_did():
    season = invent(1, machines=3, shifts=4)
    assert season.bins.height == 12 * HALF_MINUTES
    table = uptake(season.moves, season.bins, season.hours).join(
        season.moves, on=["machine_id", "shift_date", "setting"]
    )
    assert (table["uptake_code"] == table["truth"]).mean() > 0.9
    assert set(table["uptake_code"]) <= set(CODES)
    assert set(table["reason_code"].drop_nulls()) <= set(REASONS)
