"""Intervals of means whose values come in visits, in Python and in the queries of pages."""

import datetime as dt
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy.stats import t as student

from transforms.model.cluster_mean import VISIT, cluster_mean
from transforms.storage.sql_files import sql_names, sql_text
from transforms.storage.warehouse import Warehouse

DAY = dt.date(2025, 10, 9)
SIX = pl.lit(dt.datetime(2025, 10, 9, 6, tzinfo=dt.UTC))
QUERIES: dict[str, dict[str, Any]] = {
    "season_class": {},
    "season_total": {},
    "season_day": {"zone": "UTC"},
    "shift_machine": {"shift_date": DAY},
    "grower_field": {},
    "grower_total": {},
}


def rows_of(visits: dict[tuple[str, str, int], list[float]]) -> pl.DataFrame:
    """Return loads of visits (machine, field, days after the first)."""
    flat = [(m, f, DAY + dt.timedelta(days=d), y) for (m, f, d), ys in visits.items() for y in ys]
    return pl.DataFrame(flat, schema=[*VISIT, "dirt_tare_pct"], orient="row").with_columns(
        load_id=pl.format("L{}", pl.int_range(pl.len())),
        delivered_t=pl.lit(20.0),
        grower_id=pl.lit("G1"),
        site_id=pl.lit("S1"),
        generation=pl.lit("g"),
        topsoil_wetness=pl.lit(0.9),
        clay_pct=pl.lit(40.0),
        trace_quality=pl.lit(1.0),
        yield_t_ha=pl.lit(70.0),
        sugar_pct=pl.lit(17.0),
        top_tare_pct=pl.lit(4.0),
        recoverable_sugar_pct=pl.lit(15.0),
        lifted_at=SIX + pl.duration(hours=pl.int_range(pl.len()) // 2),
    )


def warehouse_of(loads: pl.DataFrame) -> Warehouse:
    """Return a warehouse of these loads; each is expected to be as dirty as it was, and has a plot dug behind it."""
    warehouse = Warehouse.in_memory()
    dirt = pl.col("dirt_tare_pct")
    columns = ("observed_pct", "expected_pct", "lo95", "hi95", "conditions_pct")
    expected = loads.select("load_id", *(dirt.alias(c) for c in columns))
    warehouse.store("load_fact", loads)
    warehouse.build("load_class")
    warehouse.append("expected_load", expected)
    audits = loads.select(*VISIT, pl.col("load_id").alias("audit_id"), dirt.alias("root_loss_t_ha"))
    # The first check has no count of damage, the second none of topping.
    counts = ([3, None], [50, None], [None, 8], [40, 40])
    names = ("over_topped_count", "topping_checked_count", "damaged_count", "damage_checked_count")
    checks = pl.DataFrame(dict(zip(names, counts, strict=True)))
    # The marts have no tables of their own before they are built.
    warehouse._con.register("audits", audits)
    warehouse._con.execute("create table audit_fact as select * from audits")
    warehouse._con.register("checks", checks)
    warehouse._con.execute("create table root_check_fact as select * from checks")
    return warehouse


@pytest.fixture
def loads() -> pl.DataFrame:
    rng = np.random.default_rng(3)
    visits = {(f"M{k % 3}", f"F{k}", k // 4): (rng.normal(12, 3) + rng.normal(0, 1, 5 + k)).tolist() for k in range(9)}
    return rows_of(visits)


def test_the_interval_is_that_of_a_cluster_robust_regression(loads):
    """statsmodels' cluster covariance of a constant, whose small-sample factor is G / (G - 1) for one column."""
    group = loads.select(pl.struct(VISIT).rank("dense")).to_series().to_numpy()
    reference = sm.OLS(loads["dirt_tare_pct"].to_numpy(), np.ones(loads.height)).fit(
        cov_type="cluster", cov_kwds={"groups": group, "use_correction": True}
    )
    found = cluster_mean(loads, "dirt_tare_pct")
    # Its factor also has (n - 1) / (n - 1), which is one here.
    assert found.mean == pytest.approx(reference.params[0])
    assert found.half == pytest.approx(student.ppf(0.975, 8) * reference.bse[0])
    assert (found.n, found.clusters) == (loads.height, 9)
    with warehouse_of(loads) as warehouse:
        total, of_class = warehouse.query("season_total").row(0, named=True), warehouse.query("season_class")
        grower = warehouse.query("grower_total").row(0, named=True)
    for half in (total["dirt_half"], total["root_loss_half"], of_class["dirt_half"][0], grower["observed_half"]):
        assert half == pytest.approx(found.half, rel=1e-5)
    assert of_class["n_visits"].to_list() == [9]
    assert [total[c] for c in ("top_tare_pct", "over_topped_pct", "damaged_pct")] == pytest.approx([4.0, 6.0, 20.0])


def test_one_visit_gives_a_mean_without_an_interval():
    """Three loads of one visit are close to each other, and say nothing of other visits."""
    loads = rows_of({("M1", "F1", 0): [18.7, 18.8, 18.9]}).with_columns(lifted_at=SIX)
    found = cluster_mean(loads, "dirt_tare_pct")
    assert (found.half, found.n, found.clusters) == (None, 3, 1)
    assert found.mean == pytest.approx(18.8)
    assert cluster_mean(loads.clear(), "dirt_tare_pct").mean is None
    with warehouse_of(loads) as warehouse:
        for name, parameters in QUERIES.items():
            row = warehouse.query(name, **parameters).row(0, named=True)
            # Plots are dug one by one: those of one shift are the sample of its own mean.
            sampled = {"root_loss_half"} if name == "shift_machine" else set()
            halves = {k: v for k, v in row.items() if k.endswith("_half") and k not in sampled}
            assert set(halves.values()) == {None}, name
        assert warehouse.query("season_class")["n"].to_list() == [3]


def test_loads_of_one_hour_are_one_observation_of_a_shift():
    hours = [dt.datetime(2025, 10, 9, h, m, tzinfo=dt.UTC) for h in (6, 7, 9) for m in (5, 25, 45)]
    loads = rows_of({("M1", "F1", 0): [10.0, 10.1, 10.2, 12.0, 12.1, 12.2, 11.0, 11.1, 11.2]})
    loads = loads.with_columns(lifted_at=pl.Series(hours))
    with warehouse_of(loads) as warehouse:
        half = warehouse.query("shift_machine", shift_date=DAY)["observed_half"][0]
    assert half == pytest.approx(student.ppf(0.975, 2) * np.std([10.1, 12.1, 11.1], ddof=1) / np.sqrt(3), rel=1e-5)


def test_quantiles_in_sql_are_those_of_students_t():
    con = duckdb.connect()
    con.execute(sql_text("macros", "student_975"))
    for df in [*range(1, 60), 100, 1000, 100_000]:
        found = con.execute("select student_975(?)", [df]).fetchone()
        assert found == (pytest.approx(student.ppf(0.975, df), abs=2e-5),), df
    assert con.execute("select student_975(0)").fetchone() == (None,)


def test_an_interval_of_visits_covers_where_one_of_loads_does_not():
    """Means of 8 visits of 20 loads, whose visits differ more than their loads do."""
    rng, by_visit, by_load = np.random.default_rng(11), 0, 0
    for _ in range(300):
        y = 10 + rng.normal(0, 1, 8)[:, None] + rng.normal(0, 0.5, (8, 20))
        loads = pl.DataFrame({"dirt": y.ravel(), "visit": np.repeat(np.arange(8), 20)})
        found = cluster_mean(loads, "dirt", ("visit",))
        assert found.mean is not None
        assert found.half is not None
        by_visit += abs(found.mean - 10) <= found.half
        by_load += abs(found.mean - 10) <= 1.96 * y.std(ddof=1) / np.sqrt(y.size)
    assert by_visit / 300 == pytest.approx(0.95, abs=0.03)
    assert by_load / 300 < 0.6


@pytest.mark.parametrize("folder", ["raw", "results", "state", "staging", "marts", "queries"])
def test_no_query_has_a_normal_interval_of_a_mean(folder):
    assert [n for n in sql_names(folder) if "1.96" in sql_text(folder, n)] == []
