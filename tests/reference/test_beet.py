"""Beet quality and lifted soil against published figures."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from transforms.demo.mechanics import STRIP_FRACTION, soil_lifted_t_ha
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
