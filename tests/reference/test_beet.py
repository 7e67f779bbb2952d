"""Beet quality and lifted soil against published figures."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from transforms.advice.cost import OVER_TOPPED_LOSS, CropAndHaul, Topping, topping_cost_per_t
from transforms.config.workspace import Prices
from transforms.demo.mechanics import STRIP_FRACTION, Ground, soil_lifted_t_ha
from transforms.demo.topping import USUAL_SCALPER_MM, over_topped_share, under_topped_share
from transforms.model.root_loss import root_loss
from transforms.storage.warehouse import Warehouse

SHORT_TON_PER_ACRE_IN_T_HA = 2.2417


@pytest.mark.parametrize(
    ("sugar", "potassium", "sodium", "amino_n", "white"),
    [(18.0, 4.0, 0.5, 1.2, 16.092), (16.0, 0.0, 0.0, 0.0, 14.92)],
)
def test_new_braunschweig_formula(sugar, potassium, sodium, amino_n, white):
    """Buchholz et al. 1995, Zuckerindustrie 120(2):113-121: BZG = Pol - 0.12 (K + Na) - 0.24 aN - 1.08, mmol/100 g."""
    at = dt.datetime(2025, 10, 1, tzinfo=dt.UTC)
    row = {
        "source_sha256": "a",
        "line": 1,
        "sample_id": "S1",
        "revision": 0,
        "cancelled": False,
        "load_id": "L1",
        "sugar_pct": sugar,
        "potassium_mmol_per_kg": 10 * potassium,
        "sodium_mmol_per_kg": 10 * sodium,
        "amino_n_mmol_per_kg": 10 * amino_n,
    }
    file = {
        "source_sha256": "a",
        "file": "a.csv",
        "header": "",
        "rows_in": 1,
        "rows_accepted": 1,
        "rows_rejected": 0,
        "rows_repeated": 0,
        "file_at": at,
        "received_at": at,
    }
    with Warehouse.in_memory() as warehouse:
        warehouse.append("received_tare", pl.DataFrame([row]))
        warehouse.append("source_file", pl.DataFrame([file]))
        assert warehouse.table("load_tare")["recoverable_sugar_pct"][0] == pytest.approx(white)


def test_the_demo_lifts_some_thirty_tons_an_acre_per_half_inch():
    """Assumption of the demo, no source: 30 short tons an acre per half inch, 0.3 to 0.44 of the row width."""
    lifted = soil_lifted_t_ha(np.array([1.27]), np.array([0.0]))[0] / SHORT_TON_PER_ACRE_IN_T_HA
    assert lifted == pytest.approx(30, abs=1.5)
    assert 0.30 < STRIP_FRACTION < 0.44


@pytest.mark.parametrize("pounds", [1.0, 3.0, 5.0])
@pytest.mark.parametrize(
    "plot",
    [
        {"plot_m2": 110 * 0.3048**2},
        {"plot_length_m": 10 * 0.3048, "plot_rows_count": 6.0, "row_spacing_cm": 22 * 2.54},
    ],
)
def test_a_fifth_of_the_pounds_on_110_square_feet_is_short_tons_an_acre(pounds, plot):
    """Field rule of a public extension bulletin: all pieces from 110 ft2 (6 rows of 22 in, 10 ft), pounds / 5.

    The exact factor is 43,560 / 110 / 2,000 = 0.198; more than one short ton an acre is excessive (Michigan State
    University Extension 2012, How to determine sugarbeet harvest losses).
    """
    row = root_loss(pl.DataFrame([{**plot, "lost_mass_kg": pounds * 0.45359237, "yield_t_ha": 60.0}])).row(
        0, named=True
    )
    short_tons = row["root_loss_t_ha"] / SHORT_TON_PER_ACRE_IN_T_HA
    assert short_tons == pytest.approx(pounds * 43_560 / 110 / 2_000, rel=1e-4)
    assert short_tons == pytest.approx(pounds / 5, rel=0.0101)


@pytest.mark.parametrize("worth", [30.0, 45.0])
def test_a_root_topped_one_centimetre_too_deep_loses_five_to_six_percent_of_its_worth(worth):
    """6 % (IRS, Teelthandleiding 8.3, public growing manual, 2018/2019), 5 % (an agronomy bulletin).

    2 cm cost 15 % there, more than twice as much: a count of roots says nothing of the depth, so that the cost counts
    each as 1 cm too short and is at most too low.
    """
    prices, at = Prices(beet_per_t=worth, quality_per_point=0.0), CropAndHaul(75.0, 30.0, 3.0)
    none, every = (float(topping_cost_per_t(Topping(4.0, share), at, prices)) for share in (0.0, 1.0))
    assert 0.05 <= (every - none) / worth <= 0.06
    assert 2 * OVER_TOPPED_LOSS < 0.15


def test_the_demo_tops_near_the_published_aims():
    """Aims: at most 5 % of beets with stalks over 2 cm and at most 5 % topped too deep (IRS, Teelthandleiding 8.3).

    At usual settings the demo misses both a little, and no height of the scalper meets both: a trade-off is left.
    """
    heights, usual = np.arange(10.0, 60.0), {"ground_speed_kmh": 6.0, "topper_speed_rpm": 900.0, "share_depth_cm": 7.0}
    settings = {n: np.full(heights.size, v) for n, v in usual.items()} | {"scalper_height_mm": heights}
    one = np.ones(heights.size)
    ground = Ground(0.5 * one, 0.24 * one, 75 * one, 0.8 * one, 0 * one)
    under, over = under_topped_share(settings, ground), over_topped_share(settings, ground)
    at_usual = heights == USUAL_SCALPER_MM
    assert 0.05 < over[at_usual][0] < under[at_usual][0] < 0.08
    assert under.min() < 0.05
    assert over.min() < 0.05
    assert not np.any((under <= 0.05) & (over <= 0.05))
