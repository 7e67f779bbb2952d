"""Terms of the model: their labels, which tables store, and their columns come from one object."""

import ast
import datetime as dt
import sys
from dataclasses import replace
from itertools import pairwise
from multiprocessing.reduction import ForkingPickler
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from transforms.config.response_catalogue import DIRT, ROOT_LOSS, TOPS
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.classes import soil_class
from transforms.mixed_model.cross_products import Factor
from transforms.model import season_products
from transforms.model.condition_terms import CONDITIONS, ConditionCurve, WetnessClaySurface
from transforms.model.design_matrix import DesignSpec, setting_steps
from transforms.model.factor_terms import MachineSlope
from transforms.model.model_columns import columns, term_rows
from transforms.model.modifiers import MODIFYING, Modifier, modifiers_of
from transforms.model.setting_terms import (
    SHARED_BENDS,
    SettingBy,
    SettingCurve,
    SettingEffect,
    SettingOnSoil,
    SettingSquare,
    SharedBend,
    VisitMean,
    VisitMeanBy,
    WithoutSetting,
    curve_spline,
    setting_origin,
)
from transforms.model.specification import FACTORS, TERMS

DEPTH, DRIVE, HEIGHT = "share_depth_cm", "share_drive_pct", "scalper_height_mm"


def frame_of(catalogue: Catalogue, response: str = DIRT) -> DesignSpec:
    settings = (catalogue[DEPTH], catalogue[DRIVE])
    factors = {name: FACTORS[name] for name in ("field", "machine", "machine_day")}
    return DesignSpec(response, TERMS[response], settings, (1.0, 0.5), (dt.date(2025, 10, 1),), factors)


@pytest.fixture(scope="module")
def rows() -> pl.DataFrame:
    """Return nine loads of three visits on the three soils; the third machine has no share drive."""
    rng = np.random.default_rng(7)
    return pl.DataFrame(
        {
            "machine_id": ["M1"] * 3 + ["M2"] * 3 + ["M3"] * 3,
            "field_id": ["F1"] * 6 + ["F2"] * 3,
            "shift_date": [dt.date(2025, 10, 3)] * 9,
            "season_start": [dt.date(2025, 10, 1)] * 9,
            "campaign_day": [2.0] * 9,
            DEPTH: rng.normal(7, 1, 9),
            DRIVE: [*rng.normal(50, 6, 6), None, None, None],
            "topsoil_wetness": rng.uniform(0.1, 0.9, 9),
            "clay_pct": [12.0] * 3 + [25.0] * 3 + [40.0] * 3,
            "air_temp_c": rng.normal(9, 3, 9),
            "air_temp_10d_c": rng.normal(9, 2, 9),
            "yield_t_ha": rng.normal(75, 8, 9),
            "root_mass_kg": rng.normal(0.8, 0.1, 9),
        }
    )


def several(stem: str, count: int) -> list[str]:
    return [f"{stem}[{i}]" for i in range(count)]


def each(*labels: str) -> list[str]:
    """Return each label, with `*` in place of the setting, for both settings."""
    return [label.replace("*", name) for label in labels for name in (DEPTH, DRIVE)]


STORED = {
    DIRT: [
        *("1", "topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha", "root_mass_kg", "campaign_day"),
        "wetness x clay",
        *each("*", "visit mean *", "without *", "* by wetness", "* by wetness squared", "* by clay"),
        *several("curve of topsoil_wetness", 7),
        *several("curve of clay_pct", 8),
        *several("curve of air_temp_c", 8),
        *several("curve of yield_t_ha", 7),
        *several("curve of root_mass_kg", 7),
        *several("curve of campaign_day", 13),
        *several("surface of wetness and clay", 24),
        *each("* by wetness bend 0", "* by wetness bend 1", "* by wetness bend 2", "* by wetness bend 3"),
        *each("* by wetness x clay", "* by temperature", "* by yield"),
        *each("visit mean * by wetness", "visit mean * by clay"),
        *each("* on light soil", "* on medium soil", "* on heavy soil"),
        *several(f"bend of {DEPTH}", 10),
    ],
    ROOT_LOSS: [
        *("1", "topsoil_wetness", "clay_pct", "yield_t_ha", "root_mass_kg", "wetness x clay"),
        *each("*", "visit mean *", "without *"),
        "shared bend, less",
        *several("curve of topsoil_wetness", 7),
        *several("curve of clay_pct", 8),
        *several("curve of yield_t_ha", 7),
        *several("curve of root_mass_kg", 7),
        *several("surface of wetness and clay", 24),
        *each("* by wetness", "* by clay", "visit mean * by wetness", "visit mean * by clay"),
        *several(f"bend of {DEPTH}", 10),
    ],
    TOPS: [
        *("1", "topsoil_wetness", "air_temp_10d_c", "yield_t_ha", "root_mass_kg", "campaign_day"),
        *each("*", "visit mean *", "without *"),
        *several("curve of topsoil_wetness", 7),
        *several("curve of air_temp_10d_c", 7),
        *several("curve of yield_t_ha", 7),
        *several("curve of root_mass_kg", 7),
        *several("curve of campaign_day", 13),
        *each("* by wetness", "* by yield", "visit mean * by wetness"),
        *several(f"bend of {DEPTH}", 10),
    ],
}


@pytest.mark.parametrize("response", [DIRT, ROOT_LOSS, TOPS])
def test_labels_are_those_that_tables_store(response, catalogue):
    assert frame_of(catalogue, response).dense_labels() == STORED[response]


@pytest.mark.parametrize("response", [DIRT, ROOT_LOSS, TOPS])
def test_every_term_has_a_column_for_each_label(response, catalogue, rows):
    frame = frame_of(catalogue, response)
    prepared = term_rows(rows, frame)
    for term in frame.dense_terms:
        made = term.columns(prepared)
        assert made.shape == (rows.height, len(term.labels())), term
        assert made.dtype == np.float64, term
        assert np.isfinite(made).all(), term
    assert len(set(frame.dense_labels())) == len(frame.dense_labels())


@pytest.mark.parametrize("response", [DIRT, ROOT_LOSS, TOPS])
def test_the_design_matrix_is_the_concatenation_of_the_terms(response, catalogue, rows):
    frame = frame_of(catalogue, response)
    cols, prepared = columns(rows, frame), term_rows(rows, frame)
    assert np.array_equal(cols.D, np.hstack([t.columns(prepared) for t in frame.dense_terms]))
    assert cols.D.flags.c_contiguous
    assert np.array_equal(cols.X, np.hstack([t.columns(prepared) for t in frame.fixed_terms]))
    # The blocks follow each other without a gap, and each one holds the terms that share its variance.
    edges = [cols.X.shape[1], *(span.stop for span in cols.spans.values())]
    assert [slice(*at) for at in pairwise(edges)] == list(cols.spans.values())
    assert edges[-1] == cols.D.shape[1]
    labels = frame.dense_labels()
    for name, span in cols.spans.items():
        assert labels[span] == [n for t in frame.shrunk_terms if t.block == name for n in t.labels()]


def test_settings_share_a_bend_by_the_direction_in_which_they_act_on_roots(catalogue, rows):
    """Depth saves roots, the share drive does not act: half the square of depth, less its visit mean."""
    frame = frame_of(catalogue, ROOT_LOSS)
    prepared = term_rows(rows, frame)
    (shared,) = (t for t in frame.fixed_terms if isinstance(t, SharedBend))
    halves = prepared.steps[DEPTH] ** 2 / 2
    assert (shared.breaks, shared.label) == ("less", SHARED_BENDS["less"])
    assert shared.column(prepared) == pytest.approx(halves - prepared.visit_mean(halves))
    assert [type(c) for c in frame.curves(DEPTH)] == [SettingCurve, SettingSquare]
    assert frame.curves(DRIVE) == ()
    assert [type(c) for c in frame_of(catalogue, DIRT).curves(DEPTH)] == [SettingCurve]


def test_settings_of_both_directions_have_bends_of_their_own(catalogue):
    settings = tuple(catalogue[n] for n in (DEPTH, "cleaner_1_speed_rpm", "separator_1_height_mm"))
    frame = replace(frame_of(catalogue, ROOT_LOSS), settings=settings)
    bends = [t for t in frame.fixed_terms if isinstance(t, SharedBend)]
    assert {t.breaks: [s.name for s in t.specs] for t in bends} == {
        "more": ["cleaner_1_speed_rpm", "separator_1_height_mm"],
        "less": [DEPTH],
    }
    assert [SettingSquare(s).labels() for s in settings] == [
        (SHARED_BENDS["less"],),
        (SHARED_BENDS["more"],),
        (SHARED_BENDS["more"],),
    ]
    assert SettingSquare(catalogue[DRIVE]).labels() == ()


def test_a_square_bends_as_its_own_differences(catalogue):
    """At steps x: x^2 / 2; per step up and down on average: ((x + 1)^2 - (x - 1)^2) / 4 = x."""
    square, steps = SettingSquare(catalogue[DEPTH]), np.array([-2.0, 0.0, 1.5])
    values = setting_origin(catalogue[DEPTH]) + steps * catalogue[DEPTH].step
    assert square.at(values)[:, 0] == pytest.approx(steps**2 / 2)
    assert square.slopes(steps) == pytest.approx((square.at_steps(steps + 1) - square.at_steps(steps - 1)) / 2)


def test_variances_have_the_names_that_tables_store(catalogue, rows):
    cols = columns(rows, frame_of(catalogue))
    assert list(cols.spans) == [
        *(f"curve of {n}" for n in TERMS[DIRT].conditions),
        "surface of wetness and clay",
        "settings by wetness bend",
        "settings by wetness x clay",
        "settings by temperature",
        "settings by yield",
        "visit means by wetness",
        "visit means by clay",
        "settings by soil",
        "bends of settings",
    ]
    assert [f.name for f in cols.factors] == ["field", "machine", "machine_day", f"machine slope of {DEPTH}"]


def test_columns_within_visits_are_departures_of_the_product_from_its_visit_mean(catalogue, rows):
    frame = frame_of(catalogue)
    prepared = term_rows(rows, frame)
    steps, has = setting_steps(rows, frame, prepared.visit)
    wetness = CONDITIONS["topsoil_wetness"].standard(rows["topsoil_wetness"].to_numpy())
    curve = curve_spline(catalogue[DEPTH]).columns(rows[DEPTH].to_numpy())
    soil = rows.select(soil_class(pl.col("clay_pct"))).to_series().to_list()

    def departure(values: np.ndarray) -> np.ndarray:
        return np.concatenate([values[i : i + 3] - values[i : i + 3].mean(axis=0) for i in (0, 3, 6)])

    def mean(values: np.ndarray) -> np.ndarray:
        return np.repeat([values[i : i + 3].mean() for i in (0, 3, 6)], 3)

    expected = {
        SettingEffect(DEPTH): departure(steps[:, 0]),
        SettingBy(DEPTH, Modifier("wetness")): departure(steps[:, 0] * wetness),
        SettingOnSoil(DEPTH, "heavy"): departure(steps[:, 0]) * [s == "heavy" for s in soil],
        SettingCurve(catalogue[DEPTH]): departure(curve),
        VisitMean(DEPTH): mean(steps[:, 0]),
        VisitMeanBy(DEPTH, Modifier("wetness")): mean(steps[:, 0] * wetness),
        WithoutSetting(DRIVE): ~has[:, 1],
        SettingBy(DRIVE, Modifier("wetness")): departure(steps[:, 1] * wetness) * has[:, 1],
    }
    for term, values in expected.items():
        assert term in frame.dense_terms
        shape = (rows.height, len(term.labels()))
        np.testing.assert_allclose(term.columns(prepared), np.reshape(values, shape), atol=1e-12, err_msg=str(term))


def test_a_term_linear_in_the_steps_is_steps_times_its_multiplier(catalogue, rows):
    frame = frame_of(catalogue)
    prepared = term_rows(rows, frame)
    assert len(frame.step_terms(DEPTH)) == 1 + 3 + 4 + 3 + 3
    for term in frame.step_terms(DEPTH):
        product = prepared.steps[DEPTH] * term.multiplier(prepared.multipliers)
        by_visit = product - prepared.visit_mean(product)
        np.testing.assert_allclose(term.column(prepared), by_visit, atol=1e-12)


def test_condition_terms_have_the_same_columns_at_values_and_in_rows(catalogue, rows):
    frame = frame_of(catalogue)
    prepared = term_rows(rows, frame)
    for term in frame.condition_terms:
        assert set(term.conditions) <= set(TERMS[DIRT].conditions)
        assert np.array_equal(term.at(prepared.conditions), term.columns(prepared))
    assert {ConditionCurve("clay_pct"), WetnessClaySurface()} <= set(frame.condition_terms)


def test_only_settings_that_name_root_mass_are_modified_by_it(catalogue, rows):
    """The height of the scalper follows the crowns of large and small roots; depth and share drive do not."""
    settings = (*frame_of(catalogue, TOPS).settings, catalogue[HEIGHT])
    frame = replace(frame_of(catalogue, TOPS), settings=settings, autocorrelation=(1.0, 0.5, 1.0))
    prepared = term_rows(rows.with_columns(pl.Series(HEIGHT, range(20, 65, 5))), frame)
    modified = [t for t in frame.shrunk_terms if isinstance(t, SettingBy) and t.modifier == Modifier("root mass")]
    assert [t.label for t in modified] == [f"{HEIGHT} by root mass"]
    mass = CONDITIONS["root_mass_kg"].standard(rows["root_mass_kg"].to_numpy())
    product = prepared.steps[HEIGHT] * mass
    np.testing.assert_allclose(modified[0].column(prepared), product - prepared.visit_mean(product), atol=1e-12)


def test_a_machine_slope_has_a_level_for_each_machine(catalogue, rows):
    prepared = term_rows(rows, frame_of(catalogue))
    found = MachineSlope(DEPTH).factor(prepared)
    assert isinstance(found, Factor)
    assert found.labels is not None
    assert found.slope is not None
    assert list(found.labels[found.codes]) == rows["machine_id"].to_list()
    assert np.array_equal(found.slope, SettingEffect(DEPTH).column(prepared))


def test_modifiers_have_the_labels_that_tables_store():
    names = (
        "wetness",
        "wetness squared",
        "wetness bend",
        "wetness x clay",
        "clay",
        "temperature",
        "yield",
        "root mass",
    )
    bends = [f"wetness bend {i}" for i in range(4)]
    assert [by.label for by in modifiers_of(names)] == [*names[:2], *bends, *names[3:]]
    assert set(MODIFYING) <= set(names)


def sent(value: Any) -> Any:
    """Return a value as another process receives it."""
    return ForkingPickler.loads(ForkingPickler.dumps(value))


def test_a_specification_can_be_pickled_and_has_a_lasting_repr(catalogue):
    frame = frame_of(catalogue)
    before = repr(frame)
    assert frame.dense_terms
    assert frame.factor_terms
    again = sent(frame)
    assert again == frame
    assert repr(again) == repr(frame) == before
    assert " at 0x" not in before
    assert again.dense_terms == frame.dense_terms
    assert sent(frame.dense_terms) == frame.dense_terms
    assert sent(frame.factor_terms) == frame.factor_terms


def _imported(module: str) -> set[str]:
    """Return the modules of the project's models that a module imports."""
    tree = ast.parse(Path(str(sys.modules[module].__file__)).read_text("utf-8"))
    names = {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.module}
    return {n for n in names if n.startswith(("transforms.model.", "transforms.mixed_model."))}


def test_all_modules_that_make_columns_are_part_of_the_fingerprint():
    found, new = set(), {"transforms.model.model_columns"}
    while new:
        found |= new
        new = {name for module in new for name in _imported(module)} - found
    assert found <= {module.__name__ for module in season_products.FINGERPRINTED_MODULES}
