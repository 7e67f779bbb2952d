"""One class of conditions of the setting guide for one generation: values to choose from, and draws of their cost."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import USUAL_TOPS_PCT, CropAndHaul, cost_per_t
from transforms.advice.moves import USUAL_SPEED_KMH
from transforms.advice.season_worth import ClassMoves
from transforms.advice.shrinkage import Shrinkage
from transforms.advice.situations import UNKNOWN_LOSS_T_HA, USUAL_WIDTH_M
from transforms.arrays import to_float
from transforms.config.response_catalogue import ROOT_LOSS, TOPS
from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.config.workspace import Prices
from transforms.model.fit_result import ResponseFit
from transforms.model.prediction import PredictionPoint, bend_weights, expected_scale, level_variance, step_weights
from transforms.model.response_scale import SMALL_LOSS_T_HA

Array = NDArray[np.float64]
DRAWS = 1000
VALUES_PER_STEP = 2
MAX_VALUES = 41


@dataclass(frozen=True)
class GuideBasis:
    """Fits from which all classes of the guide are derived.

    Attributes:
        dirt: the fit of dirt.
        loss: the fit of root loss; None if it is not fitted.
        shrink: shrinkage of effects, by response.
        catalogue: the settings known.
        haul_km: usual road distance.
    """

    dirt: ResponseFit
    loss: ResponseFit | None
    shrink: dict[str, Shrinkage]
    catalogue: Catalogue
    haul_km: float


@dataclass(frozen=True)
class GuideClass:
    """Values to choose from in one class for one generation, and draws of their effects.

    Attributes:
        values: setting -> values, ascending.
        usual: setting -> usual value of the generation in the class.
        dirt: setting -> draws of the log change of dirt from the usual value, shape (draws, values).
        loss: setting -> draws of the log change of root loss, shape (draws, values).
        z_dirt: draws of the log dirt ratio with usual settings, shape (draws,).
        z_loss: draws of root loss with usual settings, t/ha, shape (draws,).
        at: crop and haul.
        place: middle of the class.
    """

    values: dict[str, Array]
    usual: dict[str, float]
    dirt: dict[str, Array]
    loss: dict[str, Array]
    z_dirt: Array
    z_loss: Array
    at: CropAndHaul
    place: PredictionPoint

    def cost(self, chosen: dict[str, int], prices: Prices, name: str | None = None) -> Array:
        """Return draws of the cost with the chosen settings, in the season's currency per t of clean beet.

        Args:
            chosen: setting -> index of its value in `values`; other settings keep their usual values.
            prices: prices of soil, roots, sugar and hours, in the season's currency.
            name: setting that takes each of its values instead; None for none.

        Returns:
            Draws of shape (draws, 1), or (draws, values) if a setting is named.
        """
        d, r = self.z_dirt[:, None], np.log(self.z_loss + SMALL_LOSS_T_HA)[:, None]
        for n, i in chosen.items():
            if n != name:
                d, r = d + self.dirt[n][:, [i]], r + self.loss[n][:, [i]]
        if name is not None:
            d, r = d + self.dirt[name], r + self.loss[name]
        usual = self.usual.get("ground_speed_kmh", USUAL_SPEED_KMH)
        speed: Array | float = usual
        if name == "ground_speed_kmh":
            speed = self.values[name][None, :]
        elif "ground_speed_kmh" in chosen:
            speed = float(self.values["ground_speed_kmh"][chosen["ground_speed_kmh"]])
        lost = np.maximum(np.exp(r) - SMALL_LOSS_T_HA, 0.0)
        return np.asarray(cost_per_t(np.exp(d), lost, speed, usual, self.at, prices))


def grid_values(low: float, high: float, setting: Setting) -> Array:
    """Return round values in half steps within a range, of a flag off and on; its middle if it contains none."""
    half = setting.step / (1 if setting.is_flag else VALUES_PER_STEP)
    first, last = int(np.ceil(low / half - 1e-9)), int(np.floor(high / half + 1e-9))
    if last < first:
        return np.array([(low + high) / 2])
    every = max(1, (last - first) // MAX_VALUES + 1)
    return np.asarray(np.arange(first, last + 1, every) * half, dtype=np.float64)


def _draws(
    fit: ResponseFit | None,
    values: dict[str, Array],
    usual: dict[str, float],
    place: PredictionPoint,
    shrink: Shrinkage | None,
    rng: np.random.Generator,
) -> dict[str, Array]:
    """Return draws of the log change from the usual value for each value of each setting."""
    unchanged = {n: np.zeros((DRAWS, v.size)) for n, v in values.items()}
    names = [n for n in values if fit is not None and n in fit.settings]
    if fit is None or shrink is None or not names:
        return unchanged
    rows = []
    for n in names:
        slope, bend = step_weights(fit, n, place), bend_weights(fit, n, usual[n])
        steps = (values[n] - usual[n]) / fit.frame.setting(n).step
        rows += [k * slope + bend_weights(fit, n, float(v)) - bend for k, v in zip(steps, values[n], strict=True)]
    L = np.array(rows)
    mean, V = shrink.shrink_contrasts(fit, L)
    draws = rng.multivariate_normal(mean, V, size=DRAWS, method="eigh")
    edges = np.cumsum([values[n].size for n in names])[:-1]
    return unchanged | dict(zip(names, np.split(draws, edges, axis=1), strict=True))


def _level(fit: ResponseFit, place: PredictionPoint, usual: dict[str, float], rng: np.random.Generator) -> Array:
    """Return draws of z of a visit of any machine in any field of the class with usual settings, shape (draws,)."""
    z = expected_scale(fit, place, "", usual)
    return np.asarray(z + np.sqrt(level_variance(fit, place, "")) * rng.standard_normal(DRAWS))


def guide_class(
    basis: GuideBasis,
    rows: pl.DataFrame,
    own_rows: pl.DataFrame,
    soil: str,
    tried: dict[str, tuple[float, float, int]],
    rng: np.random.Generator,
) -> GuideClass:
    """Return one class of the guide for one generation.

    Args:
        basis: the fits, their shrinkage and the catalogue.
        rows: loads of the fleet in the class.
        own_rows: loads of the generation in the class.
        soil: soil class, one of `SOIL_CLASSES`.
        tried: setting -> (low, high, loads) tried by the fleet in the class, low and high in the setting's unit.
        rng: random generator.
    """
    dirt, loss = basis.dirt, basis.loss
    names = {n for f in (dirt, loss) if f is not None for n in f.frame.terms.conditions}
    middle = rows.select(pl.col(sorted(names)).cast(pl.Float64).median()).row(0, named=True)
    place = PredictionPoint(middle, soil, "")
    usual = {n: to_float(own_rows[n].median()) for n in tried if own_rows[n].count()}
    values = {n: grid_values(*tried[n][:2], basis.catalogue[n]) for n in usual}
    lost = np.full(DRAWS, UNKNOWN_LOSS_T_HA)
    if loss is not None:
        lost = np.maximum(np.exp(_level(loss, place, usual, rng)) - SMALL_LOSS_T_HA, 0.0)
    z_dirt = _level(dirt, place, usual, rng)
    tops = rows[TOPS].mean() if TOPS in rows.columns else None
    sugar = rows["sugar_pct"].mean() if "sugar_pct" in rows.columns else None
    at = CropAndHaul(
        float(middle["yield_t_ha"]),
        basis.haul_km,
        USUAL_WIDTH_M,
        None if sugar is None else to_float(sugar),
        USUAL_TOPS_PCT if tops is None else to_float(tops),
    )
    d = _draws(dirt, values, usual, place, basis.shrink.get(dirt.response), rng)
    r = _draws(loss, values, usual, place, basis.shrink.get(ROOT_LOSS), rng)
    return GuideClass(values, usual, d, r, z_dirt, lost, at, place)


def _weights(fit: ResponseFit | None, c: GuideClass, chosen: dict[str, int]) -> Array:
    """Return the contrast over the coefficients of the chosen against the usual values, shape (p,)."""
    if fit is None:
        return np.zeros(0)
    out = np.zeros(fit.reml.coef.size)
    for n, i in chosen.items():
        if n in fit.settings:
            value, step = float(c.values[n][i]), fit.frame.setting(n).step
            out += (value - c.usual[n]) / step * step_weights(fit, n, c.place)
            out += bend_weights(fit, n, value) - bend_weights(fit, n, c.usual[n])
    return out


def class_moves(
    c: GuideClass, chosen: dict[str, int], head: dict[str, str], fits: tuple[ResponseFit, ResponseFit | None]
) -> ClassMoves:
    """Return the level of a class and the effects of its chosen values, for the worth of the guide.

    Args:
        c: the class.
        chosen: setting -> index of the chosen value in `c.values`.
        head: `generation`, `wetness_class` and `soil_class` of the class.
        fits: the fits of dirt and of root loss; None if root loss is not fitted.
    """
    usual = c.usual.get("ground_speed_kmh", USUAL_SPEED_KMH)
    speed = float(c.values["ground_speed_kmh"][chosen["ground_speed_kmh"]]) if "ground_speed_kmh" in chosen else usual
    weights = {f.response: _weights(f, c, chosen) for f in fits if f is not None}
    return ClassMoves(head, c.z_dirt, c.z_loss, weights, (usual, speed), c.at)
