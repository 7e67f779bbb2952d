"""Effects of few settings that were moved by lot, in seasons whose operators react to hidden dirt."""

import numpy as np
import polars as pl
import pytest

from tests.validation.adversarial_seasons import VISIT, moved, reacting, settings_of
from tests.validation.fit_seasons import MECHANICS, USUAL, FitSeason, fit_season
from tests.validation.varied_seasons import varied
from transforms.advice import shrinkage as shrinkage_module
from transforms.advice.shrinkage import DRAWS
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.mixed_model.contrasts import contrast
from transforms.model import effects as effects_module
from transforms.model.effects import cell_rows, effects, slope_weights, untried_reason
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights
from transforms.model.lot_contrast import REACTION_SD, lot_correction
from transforms.model.planned_variation import is_by_lot
from transforms.model.reaction_shift import FreedCoefficients
from transforms.model.row_batches import factor_values
from transforms.model.visits import visit_means, visits_of

EVERY = {2: 4, 3: 3, 4: 3}
"""Number of settings that are varied -> on each day of this number of days."""


def fitted(season: FitSeason, catalogue: Catalogue) -> ResponseFit:
    fit = fit_response(season.facts, DIRT, catalogue, 0.1)
    assert fit is not None
    return fit


def as_fitted(fit: ResponseFit) -> FreedCoefficients:
    return FreedCoefficients(fit, fit.reml.coef, np.zeros((fit.reml.coef.size, 0)))


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="module")
def confounded(catalogue) -> dict[int, tuple[tuple[str, ...], FitSeason, ResponseFit]]:
    """Return seasons with two to four settings varied on each third day, and their fits, by number of settings."""
    found = {}
    for job, (k, every) in enumerate(EVERY.items()):
        ordinary = fit_season(8500 + job, list(MECHANICS)[job], catalogue)
        plain = reacting(1.0)(ordinary, catalogue, np.random.default_rng([job, 5]))
        names = tuple(np.random.default_rng([job, k]).permutation(list(USUAL))[:k].tolist())
        season, _ = varied(plain, catalogue, np.random.default_rng([job, 7]), names, every=every)
        found[k] = (names, season, fitted(season, catalogue))
    return found


def judged(season: FitSeason, fit: ResponseFit, names: tuple[str, ...], catalogue: Catalogue) -> pl.DataFrame:
    """Return cells of the settings with true effect, error and width of the interval, all on the log scale."""
    order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    truth = [
        (s, wet, soil, float(season.effect[s][order][inside].mean()))
        for (wet, soil), inside in cell_rows(fit).items()
        if inside.any()
        for s in names
    ]
    key = ["setting", "wetness_class", "soil_class"]
    known = pl.DataFrame(truth, schema=[*key, "truth"], orient="row", infer_schema_length=None)
    cells = effects(fit, catalogue, 30).drop_nulls("change_pct").join(known, on=key, nulls_equal=True)
    value, low, high = ((pl.col(c) / 100).log1p() for c in ("change_pct", "lo95", "hi95"))
    return cells.select(
        *key, covered=pl.col("truth").is_between(low, high), width=high - low, error=(value - pl.col("truth"))
    )


def test_the_correction_is_the_fit_with_the_term_at_a_fixed_variance(confounded):
    """Solve the equations of the fit with the columns u_j x_j beside all others, penalised by the residual variance."""
    names, _, fit = confounded[3]
    found = lot_correction(fit)
    assert found is not None
    assert set(found.settings) == set(names)
    m, reml, w = fit.reml.equations.m, fit.reml, row_weights(fit)
    Z, eye = np.empty((fit.z.size, reml.coef.size)), np.eye(reml.coef.size)
    for rows, D, cols in dense_passes(fit):
        Z[rows] = D @ eye[: m.d] + factor_values(m, cols, eye)
    penalty = np.zeros(reml.coef.size)
    for name, span in reml.spans.items():
        penalty[span] = reml.residual / reml.variances[name] if reml.variances[name] > 0 else 1e12
    x = fit.x[:, [fit.setting_column(s) for s in found.settings]]
    C = (x - visit_means(x, fit.visits)) * ~np.column_stack([is_by_lot(fit.rows, s) for s in found.settings])
    both = np.column_stack([Z, C])
    M = both.T @ (both * w[:, None]) + np.diag([*penalty, *[reml.residual / REACTION_SD**2] * C.shape[1]])
    size, pushed = reml.coef.size, both.T @ (w * fit.pseudo)
    change = np.linalg.solve(M, pushed)[:size] - np.linalg.solve(M[:size, :size], pushed[:size])
    added = reml.residual * (np.linalg.inv(M)[:size, :size] - np.linalg.inv(M[:size, :size]))
    every = np.ones(fit.z.size, dtype=bool)
    for name in fit.settings:
        weights = slope_weights(fit, name, every)
        plain = contrast(reml, weights)
        corrected = found.corrected(plain, weights)
        assert corrected.estimate - plain.estimate == pytest.approx(float(weights @ change), abs=2e-6)
        assert corrected.se**2 - plain.se**2 == pytest.approx(float(weights @ added @ weights), abs=1e-9)


def test_intervals_cover_and_are_narrower_than_with_the_allowance(confounded, catalogue, monkeypatch):
    """Coverage is proved over more seasons (tests/validation/test_variation.py): cells of a season are dependent."""
    parts: dict[str, list[pl.DataFrame]] = {"corrected": [], "allowed": []}
    for names, season, fit in confounded.values():
        parts["corrected"].append(judged(season, fit, names, catalogue))
        with monkeypatch.context() as patch:
            patch.setattr(effects_module, "lot_correction", lambda _: None)
            parts["allowed"].append(judged(season, fit, names, catalogue))
    corrected, allowed = (pl.concat(tables) for tables in parts.values())
    assert corrected.height == allowed.height > 100
    assert corrected["covered"].mean() >= 0.9
    assert corrected["width"].mean() < allowed["width"].mean()
    errors = [float(np.sqrt(np.mean(t["error"].to_numpy() ** 2))) for t in (corrected, allowed)]
    assert errors[0] < 0.8 * errors[1]


def advised(season: FitSeason, fit: ResponseFit) -> tuple[np.ndarray, np.ndarray]:
    """Return error and standard deviation, as advice takes them, of a step of each setting over all loads."""
    every = np.ones(fit.z.size, dtype=bool)
    order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    L = np.array([slope_weights(fit, s, every) for s in fit.settings])
    posterior = shrinkage_module._shrinkage(fit)
    drawn = posterior.draw_contrasts(fit, L, DRAWS, np.random.default_rng(1))
    return drawn.mean(axis=0) - np.array([season.effect[s][order].mean() for s in fit.settings]), drawn.std(axis=0)


def test_effects_for_advice_are_freed_of_the_reaction(confounded, monkeypatch):
    """The likely bias is taken off every effect, and the correction by lot off those moved by lot."""
    freed, fitted_as_is = ([], [])
    for _, season, fit in confounded.values():
        freed.append(advised(season, fit))
        with monkeypatch.context() as patch:
            patch.setattr(shrinkage_module, "freed_coefficients", as_fitted)
            fitted_as_is.append(advised(season, fit))
    (error, sd), (error_as_is, sd_as_is) = (np.concatenate(pairs, axis=1) for pairs in (freed, fitted_as_is))
    assert np.mean(np.abs(error) < 1.96 * sd) > 2 * np.mean(np.abs(error_as_is) < 1.96 * sd_as_is)
    assert np.sqrt(np.mean(error**2)) < 0.7 * np.sqrt(np.mean(error_as_is**2))


def test_without_a_reaction_or_with_few_loads_by_lot_effects_are_as_they_were(catalogue):
    plain = fit_season(8500, "crumbling", catalogue, machines=6, days=16)
    names = tuple(USUAL)[:2]
    steady, _ = varied(plain, catalogue, np.random.default_rng(1), names, every=3)
    assert lot_correction(fitted(steady, catalogue)) is None


def test_a_trial_of_a_setting_that_hardly_moves_otherwise_is_reported(catalogue):
    """A setting moves by lot in 90 loads of one machine, by half a step either way, and nowhere else."""
    season, name = fit_season(8500, "crumbling", catalogue, machines=6, days=16), "share_depth_cm"
    facts, rng = season.facts, np.random.default_rng(1)
    settings = settings_of(facts)
    mean = facts.select(pl.col(name).mean().over(*VISIT, "field_id")).to_series().to_numpy()
    tried = np.flatnonzero((facts["machine_id"] == "M001").to_numpy())[:90]
    moves = np.zeros(facts.height)
    moves[tried] = catalogue[name].step / 2 * rng.permuted(np.tile([-1.0, 1.0], (45, 1)), axis=1).ravel()
    out = moved(season, {**settings, name: mean + moves}, np.zeros(facts.height), catalogue)
    marks: list[str | None] = [None] * facts.height
    for row in tried:
        marks[row] = name
    rows = out.facts.with_columns(pl.Series("varied_settings", marks, pl.String))
    every = np.ones(facts.height, dtype=bool)
    by_lot, by_habit = (fit_response(f, DIRT, catalogue, 0.1) for f in (rows, out.facts))
    assert by_lot is not None
    assert by_habit is not None
    assert untried_reason(by_lot, name, every, 30) is None
    why = untried_reason(by_habit, name, every, 30)
    assert why is not None
    assert why.code == "effect_hardly_moved"


def test_loads_of_a_trial_belong_to_their_visit():
    rows = pl.DataFrame({"machine_id": ["M1"] * 4, "shift_date": [1] * 4, "field_id": ["F1", "F1", "F1", "F2"]})
    blocks = rows.with_columns(trial_block=pl.Series(["T/1", "T/1", None, "T/2"]))
    assert visits_of(blocks).tolist() == visits_of(rows).tolist() == [0, 0, 0, 1]
