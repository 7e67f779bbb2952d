"""The season's cost by hand, and trials wanted where effects are open."""

import datetime as dt

import polars as pl
import pytest

from transforms.advice.cost import CropAndHaul
from transforms.advice.cost_effects import CostLevels
from transforms.advice.season_cost import season_cost
from transforms.config.response_catalogue import DIRT, ROOT_LOSS, TOPS
from transforms.config.workspace import Prices
from transforms.contracts.reason import Reason, reason
from transforms.trial.power import pair_sd, power_of
from transforms.trial.size import TrialNoise
from transforms.trial.suggested_trials import CONFOUNDED, UNTRIED, WIDE, TrialPrices, suggest_trials
from transforms.trial.value import SeasonScale

POWER = 0.8
DAY = dt.date(2025, 10, 6)
LEVELS = CostLevels({DIRT: 9.0}, 6.0, CropAndHaul(80.0, 30.0, 3.0))
UNKNOWN = TrialPrices(LEVELS, Prices(), SeasonScale({}, 0.5), 25.0)
"""Prices without tonnes, so that trials are in order of urgency."""


def facts(dirt: list[float | None]) -> pl.DataFrame:
    n = len(dirt)
    return pl.DataFrame(
        {
            "load_id": [f"L{i}" for i in range(n)],
            "field_id": "F1",
            "site_id": "S",
            "delivered_t": 25.0,
            DIRT: dirt,
            "yield_t_ha": 80.0,
            "sugar_pct": 16.0,
            "machine_id": "M1",
            "shift_date": DAY,
            "wetness_class": "wet",
            "sample_kg": 25.0,
        }
    )


NO_CHECKS = pl.DataFrame(
    schema={
        "machine_id": pl.String,
        "field_id": pl.String,
        "shift_date": pl.Date,
        "topping_checked_count": pl.Float64,
        "over_topped_count": pl.Float64,
    }
)


def without_places() -> pl.DataFrame:
    places = {"lat_deg": pl.Float64, "lon_deg": pl.Float64}
    return pl.DataFrame({"field_id": ["F1"], "lat_deg": [None], "lon_deg": [None]}, schema_overrides=places)


def test_tops_and_beet_topped_too_deep_are_masses_times_prices_of_what_was_measured():
    prices = Prices(freight_per_t_km=0.1, haul_km=30.0, soil_handling_per_t=4.0, tops_per_t=15.0, beet_per_t=40.0)
    # The third load has no top tare: it is assigned the mean, 5.
    lifted = facts([8.0, 12.0, 10.0]).with_columns(
        pl.Series("machine_id", ["M1", "M2", "M2"]), pl.Series(TOPS, [4.0, 6.0, None])
    )
    checks = pl.DataFrame(
        {
            "machine_id": ["M1", "M2", "M2"],
            "field_id": "F1",
            "shift_date": DAY,
            "topping_checked_count": [100.0, 50.0, None],
            "over_topped_count": [5.0, 10.0, None],
        }
    )
    keeping = pl.DataFrame(schema={"load_id": pl.String, "loss_kg_per_t": pl.Float64})
    table = season_cost(lifted, pl.DataFrame(), checks, without_places(), keeping, {}, prices)
    by = {r["part"]: r for r in table.iter_rows(named=True)}
    assert list(by) == ["soil", "tops", "over_topped"]
    assert by["tops"]["mass_t"] == pytest.approx(25 * (0.04 + 0.06 + 0.05))
    assert by["tops"]["money"] == pytest.approx(by["tops"]["mass_t"] * (0.1 * 30 + 4 + 15))
    assert by["tops"]["n"] == 2
    assert by["tops"]["mass_hi95"] - by["tops"]["mass_t"] == pytest.approx(25 * 12.706 / 100, rel=1e-3)
    # 15 of 150 roots; visits differ by 5 roots from the mean share, so that half is 12.706 x sqrt(2 x 50) / 150.
    clean = 75 - 7.5
    cut = by["over_topped"]
    assert cut["mass_t"] == pytest.approx(0.06 * 0.1 * clean)
    assert cut["money"] == pytest.approx(cut["mass_t"] * 40)
    assert cut["n"] == 2
    assert cut["mass_hi95"] - cut["mass_t"] == pytest.approx(0.06 * clean * 12.706 * 10 / 150, rel=1e-3)
    one = season_cost(lifted.head(1), pl.DataFrame(), checks.head(1), without_places(), keeping, {}, prices)
    assert one.filter(pl.col("part") == "over_topped").row(0, named=True)["mass_lo95"] is None
    # The only load has a top tare, so that nothing about its mass is uncertain.
    assert one.filter(pl.col("part") == "tops").row(0, named=True)["mass_lo95"] == pytest.approx(25 * 0.04)


def test_soil_roots_and_pile_are_masses_times_prices():
    prices = Prices(
        freight_per_t_km=0.1,
        haul_km=30.0,
        soil_handling_per_t=4.0,
        soil_disposal_per_t=6.0,
        beet_per_t=40.0,
        sugar_standard_pct=16.0,
        sugar_per_t=500.0,
    )
    fields = without_places()
    visits = {"machine_id": ["M1", "M2"], "field_id": "F1", "shift_date": DAY}
    audits = pl.DataFrame({ROOT_LOSS: [2.0, 4.0], **visits})
    keeping = pl.DataFrame({"load_id": ["L0", "L1"], "loss_kg_per_t": [6.0, 8.0]})
    lifted = facts([8.0, 12.0, None]).with_columns(pl.Series("machine_id", ["M1", "M2", "M2"]))
    table = season_cost(lifted, audits, NO_CHECKS, fields, keeping, {}, prices)
    by = {r["part"]: r for r in table.iter_rows(named=True)}
    assert by["soil"]["mass_t"] == pytest.approx(25 * (0.08 + 0.12 + 0.10))
    assert by["soil"]["money"] == pytest.approx(7.5 * (0.1 * 30 + 4 + 6))
    assert by["soil"]["n"] == 2
    # Two loads of two visits, 8 and 12: 12.706 x 2.828 / 1.414 points about the mean, on the 25 t that were not
    # measured.
    assert by["soil"]["mass_hi95"] - by["soil"]["mass_t"] == pytest.approx(25 * 12.706 * 2 / 100, rel=1e-3)
    clean = 75 - 7.5
    assert by["roots"]["mass_t"] == pytest.approx(3.0 / 80 * clean)
    assert by["roots"]["money"] == pytest.approx(3.0 / 80 * clean * 40)
    assert by["pile"]["mass_t"] == pytest.approx(7.0 * clean / 1000)
    assert by["pile"]["money"] == pytest.approx(7.0 * clean / 1000 * 500)
    assert by["pile"]["mass_hi95"] - by["pile"]["mass_t"] == pytest.approx(12.706 * clean / 1000, rel=1e-3)
    assert by["roots"]["mass_hi95"] - by["roots"]["mass_t"] == pytest.approx(12.706 / 80 * clean, rel=1e-3)
    one = season_cost(facts([8.0, 12.0, None]), audits.head(1), NO_CHECKS, fields, keeping, {}, prices)
    assert one["mass_lo95"].to_list() == one["money_hi95"].to_list() == [None] * 3
    assert one["mass_t"].to_list() == [table["mass_t"][0], 2.0 * (clean / 80), 7.0 * (clean / 1000)]


def test_without_a_measured_load_nothing_is_said():
    empty = pl.DataFrame(schema={ROOT_LOSS: pl.Float64})
    fields = pl.DataFrame(schema={"field_id": pl.String, "lat_deg": pl.Float64, "lon_deg": pl.Float64})
    nothing = facts([None]).with_columns(pl.col(DIRT).cast(pl.Float64))
    assert (
        season_cost(
            nothing,
            empty,
            NO_CHECKS,
            fields,
            pl.DataFrame(schema={"load_id": pl.String, "loss_kg_per_t": pl.Float64}),
            {},
            Prices(),
        ).height
        == 0
    )


def effects() -> pl.DataFrame:
    def row(
        setting: str, change: float | None, low: float | None, high: float | None, why: Reason
    ) -> dict[str, object]:
        return {
            "response": DIRT,
            "setting": setting,
            "wetness_class": "wet",
            "soil_class": None,
            "step": 1.0,
            "unit": "cm",
            "change_pct": change,
            "lo95": low,
            "hi95": high,
            "n": 50,
            **why.columns,
        }

    return pl.DataFrame(
        [
            row("share_depth_cm", 8.0, 6.0, 10.0, reason("effect_within_visits")),
            row("ground_speed_kmh", 1.0, -4.0, 6.0, reason("effect_within_visits")),
            row("share_drive_pct", 0.0, -1.0, 1.0, reason("effect_within_visits")),
            row("cleaner_1_speed_rpm", -3.0, -4.0, -2.0, reason("effect_confounded")),
            row("cleaner_2_speed_rpm", None, None, None, reason("effect_few_loads", measured=3, needed=30)),
        ],
        schema_overrides={"soil_class": pl.String},
    )


def test_open_effects_get_the_trial_that_would_tell():
    ground = pl.concat([facts([9.0] * 12), facts([9.0] * 4).with_columns(pl.lit("M2").alias("machine_id"))])
    table = suggest_trials(effects(), ground, TrialNoise(0.09, 0.1), POWER, UNKNOWN)
    assert table.select("setting", "reason_code").rows() == [
        ("cleaner_1_speed_rpm", CONFOUNDED.code),
        ("ground_speed_kmh", WIDE.code),
        ("cleaner_2_speed_rpm", UNTRIED.code),
    ]
    assert table["machine_id"].unique().to_list() == ["M1"]
    wide = table.row(1, named=True)
    assert wide["detect_pct"] == 6.0
    sd = pair_sd(0.09, 0.1, 25.0)
    import numpy as np  # noqa: PLC0415

    assert (
        power_of(wide["pairs"], float(np.log1p(0.06)), sd)
        >= POWER
        > power_of(wide["pairs"] - 1, float(np.log1p(0.06)), sd)
    )
    assert wide["machine_days"] == np.ceil(2 * wide["pairs"] / 12)
    assert table.row(2, named=True)["detect_pct"] == 5.0


def test_nothing_open_nothing_wanted():
    table = suggest_trials(effects().head(1), facts([9.0]), TrialNoise(0.09, 0.1), POWER, UNKNOWN)
    assert table.height == 0
