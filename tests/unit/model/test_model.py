"""The model on small made data with known effects."""

import numpy as np
import polars as pl
import pytest

from transforms.config.problems import ConfigError
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.model.effects import effects
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.load_decomposition import contributions, expected_loads
from transforms.model.response_scale import pct_from_scale, ratio_scale


def season_of(seed: int, *, slope: float, reacts: float) -> pl.DataFrame:
    """Loads of six machines; operators raise the first cleaner by `reacts` steps per unit of a hidden daily dirt."""
    rng = np.random.default_rng(seed)
    rows = []
    for machine in range(6):
        for day in range(14):
            hidden, wet = rng.normal(0, 0.35), rng.uniform(0, 1)
            centre = 38 + 3 * (reacts * hidden + rng.normal(0, 0.3))
            for _ in range(10):
                rpm = centre + rng.normal(0, 3)
                z = -2.4 + 0.8 * wet + hidden + slope * (rpm - 38) / 3 + rng.normal(0, 0.12)
                rows.append((f"M{machine}", f"F{machine}{day // 3}", day, rpm, wet, z))
    table = pl.DataFrame(
        rows, schema=["machine_id", "field_id", "day", "cleaner_1_speed_rpm", "topsoil_wetness", "z"], orient="row"
    )
    n = table.height
    return table.select(
        (pl.lit("L") + pl.int_range(n).cast(pl.String).str.zfill(5)).alias("load_id"),
        "machine_id",
        "field_id",
        (pl.date(2025, 10, 1) + pl.duration(days=pl.col("day"))).alias("shift_date"),
        "cleaner_1_speed_rpm",
        "topsoil_wetness",
        pl.Series("clay_pct", rng.uniform(8, 45, n)),
        pl.lit(10.0).alias("air_temp_c"),
        pl.lit(70.0).alias("yield_t_ha"),
        pl.Series(DIRT, pct_from_scale(table["z"].to_numpy())),
        pl.lit(25.0).alias("sample_kg"),
        pl.lit(0.9).alias("trace_quality"),
    )


@pytest.fixture(scope="module")
def fitted(catalogue: Catalogue) -> ResponseFit:
    fit = fit_response(season_of(1, slope=-0.04, reacts=6.0), DIRT, catalogue, 0.1)
    assert fit is not None
    return fit


def overall(table: pl.DataFrame) -> dict[str, object]:
    return table.filter(pl.col("wetness_class").is_null() & pl.col("soil_class").is_null()).row(0, named=True)


@pytest.mark.slow
def test_the_within_contrast_is_right_where_operators_react_to_dirt(catalogue):
    true = 100 * np.expm1(-0.04)
    rows = []
    for seed in range(12):
        fit = fit_response(season_of(seed, slope=-0.04, reacts=6.0), DIRT, catalogue, 0.1)
        assert fit is not None
        rows.append(overall(effects(fit, catalogue, 30)))
    assert sum(r["lo95"] < true < r["hi95"] for r in rows) >= 10
    assert np.mean([r["change_pct"] for r in rows]) == pytest.approx(true, abs=0.3)
    assert all(r["between_pct"] > 0 for r in rows)
    assert {r["reason_code"] for r in rows} == {"effect_confounded"}


def test_a_class_with_too_few_loads_is_not_tried(fitted, catalogue):
    table = effects(fitted, catalogue, 10_000)
    assert table["change_pct"].null_count() == table.height
    assert set(table["reason_code"]) == {"effect_few_loads"}


def test_effects_carry_range_n_and_q(fitted, catalogue):
    table = effects(fitted, catalogue, 30).drop_nulls("change_pct")
    assert (table["q_value"] >= table["p_value"] - 1e-12).all()
    assert (table["tried_lo"] < table["tried_hi"]).all()
    assert table["n"].min() >= 30


def test_a_setting_that_does_nothing_is_not_found(catalogue):
    fit = fit_response(season_of(2, slope=0.0, reacts=6.0), DIRT, catalogue, 0.1)
    assert fit is not None
    row = overall(effects(fit, catalogue, 30))
    assert row["lo95"] < 0 < row["hi95"]


def test_sources_add_up_exactly(fitted):
    points = contributions(fitted).group_by("load_id").agg(pl.col("points").sum())
    both = points.join(expected_loads(fitted), on="load_id")
    typical = both["observed_pct"] - both["points"]
    assert typical.max() - typical.min() < 1e-10


def test_what_is_left_unexplained_is_no_larger_than_lab_and_residual(fitted):
    """Hidden daily dirt (SD 0.35 on the log scale) belongs to the visit, not to what is left."""
    table = contributions(fitted).join(expected_loads(fitted), on="load_id")
    left = table.filter(pl.col("kind") == "unexplained")
    relative = left["points"] / (left["observed_pct"] * (1 - left["observed_pct"] / 100))
    assert relative.std() == pytest.approx(0.12, abs=0.03)


def test_expected_follows_conditions_and_not_the_cleaner(fitted):
    table = expected_loads(fitted).join(fitted.rows.select("load_id", "topsoil_wetness"), on="load_id")
    assert table.select(pl.corr("expected_pct", "topsoil_wetness")).item() > 0.6
    assert (table["lo95"] < table["expected_pct"]).all()


def test_the_value_for_conditions_alone_is_the_typical_load_with_its_condition_parts(fitted):
    """The points of `load_why` are taken back to the fitted scale, and the parts of conditions are added up there."""
    points = (
        contributions(fitted)
        .group_by("load_id")
        .agg(pl.col("points").sum().alias("gap"), pl.col("points").filter(pl.col("kind") == "condition").sum())
    )
    both = expected_loads(fitted).join(points, on="load_id").sort("load_id")
    observed, gap, part = (both[c].to_numpy() for c in ("observed_pct", "gap", "points"))
    per_scale = gap / (ratio_scale(observed) - ratio_scale(observed - gap))
    conditions = ratio_scale(observed - gap) + part / per_scale
    assert ratio_scale(both["conditions_pct"].to_numpy()) == pytest.approx(conditions, abs=1e-9)


def test_the_two_expected_values_differ_by_the_field_s_effect(fitted):
    both = expected_loads(fitted).join(fitted.rows.select("load_id", "field_id"), on="load_id")
    effect = ratio_scale(both["expected_pct"].to_numpy()) - ratio_scale(both["conditions_pct"].to_numpy())
    by_field = (
        both.with_columns(pl.Series("effect", effect))
        .group_by("field_id")
        .agg(pl.col("effect").mean(), (pl.col("effect").max() - pl.col("effect").min()).alias("spread"))
    )
    assert by_field["spread"].max() < 1e-9
    assert by_field["effect"].abs().min() > 0


def test_too_few_rows_are_not_fitted(catalogue):
    assert fit_response(season_of(1, slope=0.0, reacts=0.0).head(50), DIRT, catalogue, 0.1) is None


def test_badly_traced_and_unmeasured_loads_stay_out(catalogue):
    table = season_of(3, slope=-0.04, reacts=0.0).with_row_index("i")
    table = table.with_columns(
        pl.when(pl.col("i") < 200).then(0.1).otherwise("trace_quality").alias("trace_quality"),
        pl.when(pl.col("i").is_between(300, 349)).then(None).otherwise(DIRT).alias(DIRT),
    ).drop("i")
    fit = fit_response(table, DIRT, catalogue, 0.1)
    assert fit is not None
    assert fit.z.size == table.height - 250


def test_the_same_data_have_the_same_fingerprint(catalogue, fitted):
    again = fit_response(season_of(1, slope=-0.04, reacts=6.0), DIRT, catalogue, 0.1)
    other = fit_response(season_of(4, slope=-0.04, reacts=6.0), DIRT, catalogue, 0.1)
    assert again is not None
    assert other is not None
    assert again.fingerprint == fitted.fingerprint != other.fingerprint


def test_the_ratio_scale_goes_both_ways():
    tare = np.array([0.5, 6.0, 40.0])
    assert pct_from_scale(ratio_scale(tare)) == pytest.approx(tare)
    assert ratio_scale(np.array([6.0]))[0] == pytest.approx(np.log(0.06 / 0.94))


def test_a_workspace_adds_a_setting_without_code():
    row = {
        "stage": "cleaning",
        "label": "brush speed",
        "unit": "rpm",
        "low": 0,
        "high": 200,
        "step": 10,
        "responses": [DIRT],
        "up": "faster",
        "down": "slower",
    }
    assert load_catalogue({"brush_speed_rpm": row})["brush_speed_rpm"].step == 10
    with pytest.raises(ConfigError) as reported:
        load_catalogue({"brush_speed_rpm": {"stage": "cleaning"}})
    missing = {p.key for p in reported.value.problems if p.code == "missing_key"}
    assert missing == row.keys() - {"stage"}
    assert all("[settings.brush_speed_rpm]" in p.where for p in reported.value.problems)
