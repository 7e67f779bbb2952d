import datetime as dt
import json

import numpy as np
import polars as pl
import pytest

from reports.page.theme import FEW
from tests.validation.fit_seasons import fit_season
from tests.validation.test_benchmark_coverage import with_operators_and_growers
from transforms.benchmark.benchmark import JUDGED_FROM, benchmark, classify_standings
from transforms.benchmark.funnel import funnel
from transforms.benchmark.own_view import own_view
from transforms.benchmark.ranks import ranks
from transforms.benchmark.shrinkage import shrink_effects
from transforms.config.response_catalogue import DIRT
from transforms.contracts.reason import REASON_COLUMNS
from transforms.model.estimate import fit_response


@pytest.fixture(scope="module")
def fit(catalogue):
    facts, _ = with_operators_and_growers(fit_season(31, "crumbling", catalogue, machines=6, days=12), 1)
    found = fit_response(facts, DIRT, catalogue, 0.1)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def table(fit):
    return benchmark(fit, 30)[0]


def test_observed_less_expected_is_settings_and_the_rest(table):
    reported = table.drop_nulls("observed")
    assert set(reported["subject_kind"]) == {"machine", "operator", "grower", "field"}
    gap = (
        reported["observed"]
        - reported["expected"]
        - reported["from_settings"]
        - reported["from_outliers"]
        - reported["unexplained"]
    )
    assert gap.abs().max() < 1e-9
    typical = (reported["expected"] - reported["from_conditions"]).unique().round(9)
    assert typical.n_unique() == 1


def test_shrunken_levels_lie_between_nothing_and_the_unshrunken(table):
    reported = table.drop_nulls("observed").filter(pl.col("subject_kind") == "machine")
    assert reported["shrunken"].std() < reported["unexplained"].std()
    assert (reported["shrunken_hi95"] - reported["shrunken_lo95"]).mean() < (reported["hi95"] - reported["lo95"]).mean()
    assert reported["rank"].sort().to_list() != []
    assert (reported["rank_lo95"] <= reported["rank"]).all()
    assert (reported["rank"] <= reported["rank_hi95"]).all()


def test_nobody_is_compared_on_few_loads(table):
    few = table.filter(pl.col("n") < 30)
    assert few.height > 0
    hidden = few.drop("subject_kind", "subject_id", "response", "n", *REASON_COLUMNS, "last_shift_date")
    assert set(hidden.null_count().row(0)) == {few.height}
    assert set(few["reason_code"]) == {"few_loads"}
    assert [json.loads(a) for a in few["reason_args"]] == [{"measured": n, "needed": 30} for n in few["n"]]
    assert table.filter(pl.col("n") >= 30)["reason_code"].null_count() == table.filter(pl.col("n") >= 30).height
    assert table.filter(pl.col("n") >= 30)["observed"].null_count() == 0


def test_an_operator_with_a_machine_of_his_own_cannot_be_told_from_it(fit, catalogue):
    facts = fit.rows.drop("season_start", "campaign_day").with_columns(
        pl.col("machine_id").str.replace("M", "P").alias("operator_id")
    )
    own = fit_response(facts, DIRT, catalogue, 0.1)
    assert own is not None
    rows = benchmark(own, 30)[0].filter(pl.col("subject_kind") == "operator")
    assert set(rows["reason_code"]) == {"same_as_machine"}
    assert rows["unexplained"].null_count() == rows.height


def test_a_subject_s_own_view_holds_no_other_row(table):
    rows = table.filter(pl.col("subject_kind") == "grower")
    view = own_view(rows, rows["subject_id"][0])
    assert view.subject_id == rows["subject_id"][0]
    assert set(view.band.marks) <= {"p10", "p25", "p50", "p75", "p90"}


def test_where_a_subject_stands_is_what_its_shrunken_interval_says(table):
    reported = table.drop_nulls("shrunken")
    assert classify_standings(np.array([-3.0, -1.0, 0.2]), np.array([-0.1, 1.0, 2.0])) == ["lower", "usual", "higher"]
    for r in reported.iter_rows(named=True):
        apart = r["shrunken_lo95"] > 0 or r["shrunken_hi95"] < 0
        assert (r["standing"] != "usual") == apart
        assert r["standing"] == "usual" or (r["standing"] == "higher") == (r["shrunken"] > 0)
    assert table.filter(pl.col("shrunken").is_null())["standing"].null_count() == table["shrunken"].null_count()


def test_a_subject_with_few_rows_is_compared_but_not_judged(fit):
    compared = benchmark(fit, 10)[0].drop_nulls("shrunken")
    few, enough = compared.filter(pl.col("n") < FEW), compared.filter(pl.col("n") >= FEW)
    assert JUDGED_FROM == FEW
    assert few.height >= 3
    assert few["standing"].null_count() == few["rank"].null_count() == few.height
    assert enough["standing"].null_count() == 0
    ranked = enough.drop_nulls("rank")
    counted = ranked.group_by("subject_kind").agg(pl.len().alias("all"), pl.col("subjects").max())
    assert (counted["all"] == counted["subjects"]).all()


def test_one_load_without_a_grower_leaves_the_others_compared(fit, catalogue):
    rows = fit.rows.drop("season_start", "campaign_day")
    first = pl.col("load_id") == rows["load_id"][0]
    facts = rows.with_columns(pl.when(~first).then("grower_id").alias("grower_id"))
    found = fit_response(facts, DIRT, catalogue, 0.1)
    assert found is not None
    growers = benchmark(found, 30)[0].filter(pl.col("subject_kind") == "grower")
    assert growers.filter(pl.col("n") >= 30)["shrunken"].null_count() == 0
    assert growers.filter(pl.col("n") >= 30).height >= 3
    assert growers["n"].sum() == rows.height - 1
    assert growers.drop_nulls("rank")["subjects"].unique().to_list() == [growers["rank"].count()]


def test_a_grower_alone_is_not_compared_because_there_is_no_other(fit, catalogue):
    facts = fit.rows.drop("season_start", "campaign_day").with_columns(pl.lit("G1").alias("grower_id"))
    found = fit_response(facts, DIRT, catalogue, 0.1)
    assert found is not None
    only = benchmark(found, 30)[0].filter(pl.col("subject_kind") == "grower").row(0, named=True)
    assert (only["reason_code"], only["n"], only["shrunken"]) == ("only_one", facts.height, None)


@pytest.mark.slow
def test_a_wetter_season_is_not_a_worse_one(fit, catalogue):
    """The same fields again a year later under wetter topsoil and with 5 % more dirt of the season's own."""
    rows = fit.rows.drop("season_start", "campaign_day")
    z = np.log(rows[DIRT] / (100 - rows[DIRT])).to_numpy() + 0.05
    later = rows.with_columns(
        (pl.col("shift_date") + dt.timedelta(days=364)).alias("shift_date"),
        (pl.col("lifted_at") + dt.timedelta(days=364)).alias("lifted_at"),
        pl.format("N{}", "load_id").alias("load_id"),
        pl.Series(DIRT, 100 / (1 + np.exp(-z))),
    )
    wet = (pl.col("topsoil_wetness") > 0.5) | (pl.col("load_id").str.slice(-1) < "5")
    both = pl.concat([rows.filter(~wet | (pl.col("load_id").str.slice(-1) < "5")), later.filter(wet)])
    two = fit_response(both, DIRT, catalogue, 0.1)
    assert two is not None
    table, change = benchmark(two, 30)
    row = change.row(0, named=True)
    parts = ("from_conditions", "from_settings", "from_outliers", "unexplained")
    assert row["observed_change"] == pytest.approx(sum(row[k] for k in parts))
    assert row["from_conditions"] > 0
    assert row["lo95"] < row["unexplained"] < row["hi95"]
    typical = float(100 / (1 + np.exp(-two.typical)))
    assert row["lo95"] < 0.05 * typical * (1 - typical / 100) < row["hi95"]
    assert table.filter(pl.col("subject_kind") == "season")["rank"].null_count() == 2


def test_funnel_limits_by_hand():
    """Spiegelhalter 2005: z = 2, -1, 0, 1, 3 winsorised to their 10 % and 90 % quantiles, -0.6 and 2.6."""
    errors = np.array([1.0, 2.0, 1.0, 0.5, 1.0])
    found = funnel(np.array([2.0, -1.0, 0.0, 1.0, 3.0]) * errors, errors)
    phi = (4 + 0.36 + 0 + 1 + 6.76) / 5
    assert found.phi == pytest.approx(phi)
    w = np.array([1, 0.25, 1, 4, 1])
    tau2 = (5 * phi - 4) / (w.sum() - (w**2).sum() / w.sum())
    assert found.tau2 == pytest.approx(tau2)
    assert found.half["95"] == pytest.approx(1.96 * np.sqrt(errors**2 + tau2))
    assert found.half["998"] == pytest.approx(3.09 * np.sqrt(errors**2 + tau2))


def test_a_funnel_without_over_dispersion_flags_as_many_as_it_should():
    rng = np.random.default_rng(5)
    beyond = []
    for _ in range(400):
        errors = rng.uniform(0.5, 2, 40)
        beyond += funnel(rng.normal(0, errors), errors).beyond(rng.normal(0, errors))
    assert 0.03 < np.mean([b != "within" for b in beyond]) < 0.055
    assert np.mean([b == "beyond_998" for b in beyond]) < 0.004


def test_a_funnel_allows_for_what_subjects_differ_by():
    """Winsorising the outer tenths keeps 0.68 of a normal variance, so the rule allows for that part of it."""
    found = funnel(np.random.default_rng(6).normal(0, np.sqrt(5), 5000), np.ones(5000))
    assert found.phi == pytest.approx(0.678 * 5, rel=0.05)
    assert found.tau2 == pytest.approx(found.phi - 1, rel=0.01)


def test_shrinkage_by_hand():
    """Equal errors 1 and one spread of 2 about the mean: each estimate keeps 4 / 5 of itself."""
    y = np.array([3.0, 0.0, -1.0, -2.0])
    share = np.full(4, 0.25)
    centre = np.eye(4) - 0.25
    found = shrink_effects(y, centre @ centre.T, share, np.array([2.0]), np.ones(1), np.zeros((4, 4)), 1e6)
    assert found.mean == pytest.approx(0.8 * y)
    assert found.draws.std(axis=0) == pytest.approx(np.full(4, np.sqrt(0.8 * 0.75)), rel=0.05)


def test_ranks_are_certain_only_where_levels_are():
    rng = np.random.default_rng(1)
    apart = rng.normal(np.arange(4), 0.01, (2000, 4))
    assert [r.tolist() for r in ranks(apart)] == [[1, 2, 3, 4]] * 3
    middle, low, high = ranks(rng.normal(size=(4000, 4)))
    assert low.tolist() == [1] * 4
    assert high.tolist() == [4] * 4
    assert set(middle.tolist()) <= {2, 3}
