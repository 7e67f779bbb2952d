"""Beet quality and lifted soil against published figures."""

import datetime as dt

import polars as pl
import pytest

from transforms.conditions.soil import soil_lifted_t_ha
from transforms.warehouse import Warehouse

SHORT_TON_PER_ACRE_IN_T_HA = 2.2417


@pytest.mark.parametrize(
    ("sugar", "potassium", "sodium", "amino_n", "white"),
    [(18.0, 4.0, 0.5, 1.2, 16.092), (16.0, 0.0, 0.0, 0.0, 14.92)],
)
def test_new_braunschweig_formula(sugar, potassium, sodium, amino_n, white):
    """Buchholz et al. 1995, Zuckerindustrie 120(2):113-121: BZG = Pol - 0.12 (K + Na) - 0.24 aN - 1.08, mmol/100 g."""
    at = dt.datetime(2025, 10, 1, tzinfo=dt.UTC)
    row = {"source_sha256": "a", "line": 1, "sample_id": "S1", "revision": 0, "cancelled": False, "load_id": "L1",
           "sugar_pct": sugar, "potassium_mmol_per_kg": 10 * potassium, "sodium_mmol_per_kg": 10 * sodium,
           "amino_n_mmol_per_kg": 10 * amino_n}  # fmt: skip
    file = {"source_sha256": "a", "file": "a.csv", "header": "", "rows_in": 1, "rows_accepted": 1, "rows_rejected": 0,
            "rows_repeated": 0, "file_at": at, "received_at": at}  # fmt: skip
    with Warehouse.in_memory() as warehouse:
        warehouse.append("received_tare", pl.DataFrame([row]))
        warehouse.append("source_file", pl.DataFrame([file]))
        assert warehouse.table("load_tare")["recoverable_sugar_pct"][0] == pytest.approx(white)


@pytest.mark.parametrize(
    ("density", "water", "tons"), [(1.2, 0.0, 68.0), (1.3, 0.0, 73.6), (1.3, 0.2, 88.4), (1.5, 0.2, 102.0)]
)
def test_full_width_soil_of_half_an_inch_on_an_acre(density, water, tons):
    """Arithmetic of an acre: 43,560 square feet by half an inch hold 1,815 cubic feet of soil."""
    lifted = soil_lifted_t_ha(1.27, density, 1.0, water)
    assert lifted / SHORT_TON_PER_ACRE_IN_T_HA == pytest.approx(tons, abs=0.1)


def test_half_an_inch_lifts_some_thirty_tons_an_acre():
    """Assumption of the demo, no source: 30 short tons an acre per half inch, 0.3 to 0.44 of the row width."""
    lifted = [soil_lifted_t_ha(1.27, 1.3, strip) / SHORT_TON_PER_ACRE_IN_T_HA for strip in (0.30, 0.44)]
    assert lifted[0] < 30 < lifted[1]
