"""Invented growers with the tables behind a sheet, without a fit."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.config.response_catalogue import DIRT
from transforms.contracts.reason import REASON_COLUMNS
from transforms.storage.warehouse import Warehouse

START = dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
KINDS = ("condition", "setting", "field", "machine", "machine_day", "operator", "site_day", "unexplained")


@dataclass(frozen=True)
class Growers:
    """Invented growers.

    Attributes:
        own: own effect of each grower, shape (n,).
        observed: dirt of each grower's loads, shape (n, loads).
        expected: expected dirt of each grower's loads, shape (n, loads).
        points: contributions of each kind to each load, shape (n, loads, kinds).
    """

    own: np.ndarray
    observed: np.ndarray
    expected: np.ndarray
    points: np.ndarray

    @property
    def ids(self) -> list[str]:
        return [f"G{i:03d}" for i in range(self.own.size)]


def growers(n: int, seed: int = 0, loads: int = 12) -> Growers:
    """Return n invented growers with the given number of loads each."""
    rng = np.random.default_rng([n, seed])
    expected = 8 + rng.normal(0, 0.4, (n, 1)) + rng.normal(0, 0.3, (n, loads))
    own = rng.normal(0, 0.3, n)
    observed = expected + own[:, None] + rng.normal(0, 0.5, (n, loads))
    return Growers(own, observed, expected, rng.normal(0, 0.3, (n, loads, len(KINDS))))


def benchmark_rows(invented: Growers) -> pl.DataFrame:
    """Return the growers' rows of the comparison."""
    own, n = invented.own, invented.own.size
    rank = own.argsort().argsort() + 1
    return pl.DataFrame(
        {
            "subject_kind": ["grower"] * n,
            "subject_id": invented.ids,
            "response": [DIRT] * n,
            "observed": invented.observed.mean(axis=1),
            "expected": invented.expected.mean(axis=1),
            "from_conditions": own * 0.1,
            "from_settings": own * 0.2,
            "unexplained": own * 1.3,
            "lo95": own * 1.3 - 1.1,
            "hi95": own * 1.3 + 1.1,
            "shrunken": own,
            "shrunken_lo95": own - 0.73,
            "shrunken_hi95": own + 0.73,
            "rank": rank,
            "rank_lo95": rank,
            "rank_hi95": rank,
            "subjects": [n] * n,
            "limit_95": [1.234567] * n,
            "limit_998": [2.345678] * n,
            "overdispersion": [1.456789] * n,
            "funnel": ["within"] * n,
            "n": [invented.observed.shape[1]] * n,
            **{column: pl.Series([None] * n, dtype=pl.String) for column in REASON_COLUMNS},
            "last_shift_date": [START.date()] * n,
        }
    )


def _loads(invented: Growers) -> pl.DataFrame:
    n, loads = invented.observed.shape
    i, k = (a.ravel() for a in np.indices((n, loads)))
    lifted = [START + dt.timedelta(hours=int(h)) for h in k * 7 + i % 5]
    return pl.DataFrame(
        {
            "load_id": [f"L{a:03d}{b:03d}" for a, b in zip(i, k, strict=True)],
            "grower_id": [invented.ids[a] for a in i],
            "field_id": [f"F{a:03d}{b % 2}" for a, b in zip(i, k, strict=True)],
            "machine_id": [f"M{a % 3}" for a in i],
            "site_id": ["S1"] * i.size,
            "operator_id": [f"O{a % 3}" for a in i],
            "lifted_at": pl.Series(lifted, dtype=pl.Datetime("us", "UTC")),
            "shift_date": [t.date() for t in lifted],
            "delivered_t": 20 + (7 * i + 3 * k) % 11 / 2,
            "yield_t_ha": 60.0 + i % 5,
            "trace_quality": [0.9] * i.size,
            "topsoil_wetness": (i + k) % 10 / 10,
            "clay_pct": 10.0 + i % 30,
            "dirt_tare_pct": invented.observed.ravel(),
        }
    )


def fill(warehouse: Warehouse, invented: Growers) -> None:
    """Write the growers into a warehouse."""
    loads = _loads(invented)
    expected = invented.expected.ravel()
    warehouse.store("load_fact", loads)
    warehouse.build("load_class")
    warehouse.replace(
        "expected_load",
        loads.select(
            "load_id",
            pl.col("dirt_tare_pct").alias("observed_pct"),
            pl.Series("expected_pct", expected),
            pl.Series("lo95", expected - 0.912345),
            pl.Series("hi95", expected + 0.987654),
            pl.Series("conditions_pct", expected),
        ),
    )
    by_kind = invented.points.reshape(-1, len(KINDS))
    warehouse.replace(
        "load_why",
        pl.concat(
            loads.select(
                "load_id", pl.lit(kind).alias("source"), pl.lit(kind).alias("kind"), pl.Series("points", by_kind[:, c])
            )
            for c, kind in enumerate(KINDS)
        ),
    )
    warehouse.replace("benchmark", benchmark_rows(invented))
    fields = loads.select("field_id").unique(maintain_order=True)
    plot = {"machine_id": pl.lit("M0"), "shift_date": pl.lit(START.date()), "root_loss_t_ha": pl.lit(2.5)}
    warehouse.store("audit_fact", fields.with_columns(**plot))
    warehouse.replace(
        "fit_run",
        pl.DataFrame(
            [
                {
                    "response": DIRT,
                    "fitted_at": START,
                    "data_fingerprint": "0123456789abcdef",
                    "n": loads.height,
                    "reml_deviance": 1.0,
                    "iterations": 5,
                    "converged": True,
                    "variances_from": "estimated",
                    "variances_shift_date": START.date(),
                    "variances_n": loads.height,
                    "residual_sd": 0.345678,
                }
            ]
        ),
    )
