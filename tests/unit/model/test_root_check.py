"""Outcomes of root checks from any subset of measurements."""

import numpy as np
import polars as pl
import pytest

from transforms.contracts.source_tables import CONTRACTS
from transforms.model.root_check import WOUND_CM2, root_check_outcomes

SCHEMA = {n: c.dtype for n, c in CONTRACTS["root_check"].columns().items()}
TOPPING = {
    "petioles_over_2_cm_count": 4.0,
    "petioles_up_to_2_cm_count": 20.0,
    "clean_topped_count": 60.0,
    "over_topped_count": 5.0,
    "slanting_count": 3.0,
}


def outcome(**columns: float) -> dict[str, float]:
    row = {"check_id": "C1", "checked_roots_count": 100.0, **columns}
    return root_check_outcomes(pl.DataFrame([row], schema=SCHEMA)).row(0, named=True)


def test_the_roots_judged_for_topping_are_those_in_a_class():
    row = outcome(**TOPPING)
    assert row["topping_checked_count"] == 92
    assert (row["under_topped_count"], row["over_topped_count"], row["slanting_count"]) == (4, 5, 3)


@pytest.mark.parametrize("lacking", ["petioles_over_2_cm_count", "clean_topped_count", "over_topped_count"])
def test_without_one_of_the_main_classes_all_roots_were_judged(lacking):
    row = outcome(**{n: v for n, v in TOPPING.items() if n != lacking})
    assert row["topping_checked_count"] == 100


def test_without_topping_no_root_was_judged_for_it():
    row = outcome(severely_damaged_count=3.0)
    topping = ("topping_checked_count", "under_topped_count", "over_topped_count", "slanting_count")
    assert [row[n] for n in topping] == [None] * 4
    assert outcome(**dict.fromkeys(TOPPING, 0.0))["topping_checked_count"] is None


@pytest.mark.parametrize(
    ("counts", "pct"),
    [
        ({"broken_2_4_cm_count": 100.0}, 3.0),
        ({"broken_2_4_cm_count": 50.0}, 1.5),
        ({"broken_over_8_cm_count": 0.0}, 0.0),
        (
            {"broken_4_6_cm_count": 10.0, "broken_6_8_cm_count": 10.0},
            0.1 * (3 * (5 / 3) ** 1.8745 + 3 * (7 / 3) ** 1.8745),
        ),
    ],
)
def test_the_tip_loss_is_the_mean_share_of_root_mass_by_the_power_law(counts, pct):
    """A break of 3 cm loses 3 %, one of 6 cm 11 % (public agronomy bulletin), and by 3 (d / 3)^1.874 between."""
    row = outcome(**counts)
    assert row["tip_loss_pct"] == pytest.approx(pct, rel=1e-3)
    assert row["tip_broken_count"] == sum(counts.values())
    assert row["tip_checked_count"] == 100


def test_damage_is_counted_and_its_area_kept():
    row = outcome(slightly_damaged_count=10.0, severely_damaged_count=4.0, damaged_area_cm2_per_100_roots=350.0)
    assert (row["damaged_count"], row["severely_damaged_count"], row["damage_checked_count"]) == (14, 4, 100)
    assert row["damaged_area_cm2_per_100_roots"] == 350
    severe = outcome(severely_damaged_count=4.0)
    assert (severe["damaged_count"], severe["damage_checked_count"]) == (None, 100)
    assert outcome(slightly_damaged_count=10.0)["damaged_count"] == 10


def wounded(seed: int, n: int, wound_cm2: float) -> pl.DataFrame:
    """Return checks of 100 roots with Poisson wounds of an exponential area: damaged roots and damaged area."""
    rng = np.random.default_rng(seed)
    rows = []
    for i, mean in enumerate(rng.uniform(0.05, 0.6, n)):
        wounds = rng.poisson(mean, 100)
        area = rng.exponential(wound_cm2, int(wounds.sum())).sum()
        rows.append(
            {
                "check_id": f"C{i:03d}",
                "checked_roots_count": 100.0,
                "slightly_damaged_count": float((wounds > 0).sum()),
                "severely_damaged_count": 0.0,
                "damaged_area_cm2_per_100_roots": float(area),
            }
        )
    return pl.DataFrame(rows, schema=SCHEMA)


@pytest.mark.parametrize("wound_cm2", [3.0, 8.0, 15.0])
def test_the_area_stands_in_for_counts_at_the_wounds_of_the_season(wound_cm2):
    checks = wounded(1, 200, wound_cm2)
    is_area = pl.int_range(pl.len()) % 2 == 1
    blind = [pl.when(~is_area).then(c).alias(c) for c in ("slightly_damaged_count", "severely_damaged_count")]
    known, found = root_check_outcomes(checks), root_check_outcomes(checks.with_columns(blind)).filter(is_area)
    counted = known.filter(is_area)["damaged_count"]
    assert found["damaged_count"].mean() == pytest.approx(counted.mean(), rel=0.08)
    assert np.corrcoef(found["damaged_count"], counted)[0, 1] > 0.85
    assert found["damage_checked_count"].to_list() == [100.0] * 100
    assert found["severely_damaged_count"].null_count() == 100


def test_an_area_alone_counts_at_the_assumed_wound():
    row = outcome(damaged_area_cm2_per_100_roots=100 * WOUND_CM2 / 4)
    assert row["damaged_count"] == pytest.approx(100 * (1 - np.exp(-0.25)))
    assert outcome(damaged_area_cm2_per_100_roots=0.0)["damaged_count"] == 0
    few = root_check_outcomes(wounded(2, 9, 3.0).vstack(_area_alone(400.0)))
    assert few["damaged_count"][-1] == pytest.approx(100 * (1 - np.exp(-4 / WOUND_CM2)))


def _area_alone(area: float) -> pl.DataFrame:
    row = {"check_id": "X", "checked_roots_count": 100.0, "damaged_area_cm2_per_100_roots": area}
    return pl.DataFrame([row], schema=SCHEMA)


@pytest.mark.parametrize("name", ["scalp_diameter_cm", "petiole_length_cm", "root_mass_kg"])
def test_a_mean_alone_is_kept_and_everything_else_unknown(name):
    row = outcome(**{name: 1.5})
    assert row.pop(name) == 1.5
    assert row.pop("check_id") == "C1"
    assert set(row.values()) == {None}
