"""One class of conditions of the setting guide for one generation: values to choose from, and draws of their cost."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import USUAL_TOPS_PCT, CropAndHaul, cost_per_t
from transforms.advice.moves import USUAL_SPEED_KMH
from transforms.advice.pair_effects import PairEffect
from transforms.advice.season_worth import ClassMoves
from transforms.advice.shrinkage import Shrinkage
from transforms.advice.situations import UNKNOWN_LOSS_T_HA, USUAL_WIDTH_M
from transforms.advice.topping import TOPPING, topping_from_scale
from transforms.arrays import to_float
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS, TOPS
from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.config.workspace import Prices
from transforms.model.cluster_mean import VISIT
from transforms.model.fit_result import ResponseFit
from transforms.model.prediction import (
    PredictionPoint,
    bend_weights,
    condition_level,
    condition_levels,
    expected_scale,
    level_variance,
    step_weights,
)
from transforms.model.response_scale import SMALL_LOSS_T_HA, value_from_scale

Array = NDArray[np.float64]
DRAWS = 1000
VALUES_PER_STEP = 2
MAX_VALUES = 41


@dataclass(frozen=True)
class GuideBasis:
    """Fits from which all classes of the guide are derived.

    Attributes:
        fits: response -> its fit: of dirt, and of the others that have a price if they are fitted.
        shrink: shrinkage of effects, by response.
        pairs: pairs of settings whose effects depend on each other, by response.
        catalogue: the settings known.
        haul_km: usual road distance.
    """

    fits: dict[str, ResponseFit]
    shrink: dict[str, Shrinkage]
    pairs: dict[str, tuple[PairEffect, ...]]
    catalogue: Catalogue
    haul_km: float


@dataclass(frozen=True)
class GuideClass:
    """Values to choose from in one class for one generation, and draws of their effects.

    Attributes:
        values: setting -> values, ascending.
        usual: setting -> usual value of the generation in the class.
        changes: response -> setting -> draws of the change from the usual value on the fitted scale, shape
            (draws, values), without what pairs add.
        pairs: pairs of settings whose effects depend on each other, by response.
        z_dirt: draws of the log dirt ratio with usual settings, shape (draws,).
        root_loss_t_ha: draws of the root loss with usual settings, shape (draws,).
        topping: response of topping -> draws of its level with usual settings, on the fitted scale, shape (draws,).
        at: crop and haul.
        place: middle of the class.
        z_damaged: draws of the log odds of damaged skin with usual settings, shape (draws,); None if it is not fitted.
    """

    values: dict[str, Array]
    usual: dict[str, float]
    changes: dict[str, dict[str, Array]]
    pairs: dict[str, tuple[PairEffect, ...]]
    z_dirt: Array
    root_loss_t_ha: Array
    topping: dict[str, Array]
    at: CropAndHaul
    place: PredictionPoint
    z_damaged: Array | None = None

    def change(self, response: str, chosen: dict[str, int], name: str | None = None) -> Array:
        """Return draws of the change of a response by the chosen values.

        Args:
            response: name of the response.
            chosen: setting -> index of its value.
            name: the setting whose values are all compared; None for the chosen values alone.

        Returns:
            Log changes, 0 if the response is not fitted, shape (draws, values) or (draws, 1).
        """
        total, effects = np.zeros((DRAWS, 1)), self.changes.get(response, {})
        for n, i in chosen.items():
            if n != name and n in effects:
                total = total + effects[n][:, [i]]
        if name in effects:
            total = total + effects[name]
        moved: dict[str, Array | float] = {**self.usual, **{n: float(self.values[n][i]) for n, i in chosen.items()}}
        if name is not None:
            moved[name] = self.values[name]
        return np.asarray(total + sum(p.change(self.usual, moved)[:DRAWS] for p in self.pairs.get(response, ())))

    def root_loss(self, chosen: dict[str, int], name: str | None = None) -> Array:
        """Return draws of the root loss with the chosen values.

        Args:
            chosen: setting -> index of its value.
            name: the setting whose values are all compared; None for the chosen values alone.

        Returns:
            Root loss, t/ha, shape (draws, values) or (draws, 1).
        """
        shifted = (self.root_loss_t_ha[:, None] + SMALL_LOSS_T_HA) * np.exp(self.change(ROOT_LOSS, chosen, name))
        return np.maximum(shifted - SMALL_LOSS_T_HA, 0.0)

    def crop(self, chosen: dict[str, int], name: str | None = None) -> CropAndHaul:
        """Return crop and haul with the damage that the chosen values do.

        Args:
            chosen: setting -> index of its value.
            name: the setting whose values are all compared; None for the chosen values alone.

        Returns:
            Crop and haul, whose damage has the shape (draws, values) or (draws, 1).
        """
        if self.z_damaged is None:
            return self.at
        z = self.z_damaged[:, None] + self.change(DAMAGED, chosen, name)
        return replace(self.at, skin_damaged_pct=value_from_scale(DAMAGED, z))

    def cost(self, chosen: dict[str, int], prices: Prices, name: str | None = None) -> Array:
        """Return draws of the cost with the chosen settings, in the season's currency per t of clean beet.

        Args:
            chosen: setting -> index of its value in `values`; other settings keep their usual values.
            prices: prices of soil, roots, sugar, hours and tops, in the season's currency.
            name: setting that takes each of its values instead; None for none.

        Returns:
            Draws of shape (draws, 1), or (draws, values) if a setting is named.
        """
        d = self.z_dirt[:, None] + self.change(DIRT, chosen, name)
        usual = self.usual.get("ground_speed_kmh", USUAL_SPEED_KMH)
        speed: Array | float = usual
        if name == "ground_speed_kmh":
            speed = self.values[name][None, :]
        elif "ground_speed_kmh" in chosen:
            speed = float(self.values["ground_speed_kmh"][chosen["ground_speed_kmh"]])
        lost, at = self.root_loss(chosen, name), self.crop(chosen, name)
        levels = {r: z[:, None] + self.change(r, chosen, name) for r, z in self.topping.items()}
        topping = topping_from_scale(levels, prices.stalks_tops_pct)
        return np.asarray(cost_per_t(np.exp(d), lost, speed, usual, at, prices, topping))


def grid_values(low: float, high: float, setting: Setting) -> Array:
    """Return round values in half steps within a range, of a flag off and on; its middle if it contains none.

    Args:
        low: lower end of the range, in the unit of the setting.
        high: upper end.
        setting: the setting.

    Returns:
        Values in ascending order, in the unit of the setting, shape (values,).
    """
    half = setting.step / (1 if setting.is_flag else VALUES_PER_STEP)
    first, last = int(np.ceil(low / half - 1e-9)), int(np.floor(high / half + 1e-9))
    if last < first:
        return np.array([(low + high) / 2])
    every = max(1, (last - first) // MAX_VALUES + 1)
    return np.asarray(np.arange(first, last + 1, every) * half, dtype=np.float64)


def _draws(
    fit: ResponseFit,
    values: dict[str, Array],
    usual: dict[str, float],
    place: PredictionPoint,
    shrink: Shrinkage,
    rng: np.random.Generator,
) -> dict[str, Array]:
    """Return draws of the change from the usual value for each value of each setting in the fit, (draws, values)."""
    names = [n for n in values if n in fit.settings]
    if not names:
        return {}
    rows = []
    for n in names:
        slope, bend = step_weights(fit, n, place), bend_weights(fit, n, usual[n])
        steps = (values[n] - usual[n]) / fit.frame.setting(n).step
        rows += [k * slope + bend_weights(fit, n, float(v)) - bend for k, v in zip(steps, values[n], strict=True)]
    draws = shrink.draw_contrasts(fit, np.array(rows), DRAWS, rng)
    edges = np.cumsum([values[n].size for n in names])[:-1]
    return dict(zip(names, np.split(draws, edges, axis=1), strict=True))


def _level(
    fit: ResponseFit, place: PredictionPoint, usual: dict[str, float], visits: pl.DataFrame, rng: np.random.Generator
) -> Array:
    """Return draws of z with usual settings, shape (draws,), of visits of the class by any machine in any field.

    A cost is not linear in its conditions, so the visits that were made count, each with its conditions, instead of one
    in the middle of the class.
    """
    at = {n: visits[n].to_numpy() for n in fit.frame.terms.conditions}
    z = expected_scale(fit, place, "", usual) - condition_level(fit, place.conditions) + condition_levels(fit, at)
    spread = np.sqrt(level_variance(fit, place, "")) * rng.standard_normal(DRAWS)
    return np.asarray(z[np.arange(DRAWS) % z.size] + spread)


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
    names = sorted({n for f in basis.fits.values() for n in f.frame.terms.conditions})
    conditions = rows.select(*VISIT, pl.col(names).cast(pl.Float64))
    middle = conditions.select(pl.col(names).median()).row(0, named=True)
    visits = conditions.drop_nulls(names).group_by(VISIT, maintain_order=True).agg(pl.col(names).mean())
    place = PredictionPoint(middle, soil, "")
    usual = {n: to_float(own_rows[n].median()) for n in tried if own_rows[n].count()}
    values = {n: grid_values(*tried[n][:2], basis.catalogue[n]) for n in usual}
    lost = np.full(DRAWS, UNKNOWN_LOSS_T_HA)
    if ROOT_LOSS in basis.fits:
        lost = value_from_scale(ROOT_LOSS, _level(basis.fits[ROOT_LOSS], place, usual, visits, rng))
    tops = rows[TOPS].mean() if TOPS in rows.columns else None
    sugar = rows["sugar_pct"].mean() if "sugar_pct" in rows.columns else None
    at = CropAndHaul(
        float(middle["yield_t_ha"]),
        basis.haul_km,
        USUAL_WIDTH_M,
        None if sugar is None else to_float(sugar),
        USUAL_TOPS_PCT if tops is None else to_float(tops),
    )
    return GuideClass(
        values,
        usual,
        {r: _draws(f, values, usual, place, basis.shrink[r], rng) for r, f in basis.fits.items()},
        basis.pairs,
        _level(basis.fits[DIRT], place, usual, visits, rng),
        lost,
        {r: _level(basis.fits[r], place, usual, visits, rng) for r in TOPPING if r in basis.fits},
        at,
        place,
        _level(basis.fits[DAMAGED], place, usual, visits, rng) if DAMAGED in basis.fits else None,
    )


def _weights(fit: ResponseFit, c: GuideClass, chosen: dict[str, int]) -> Array:
    """Return the contrast over the coefficients of the chosen against the usual values, shape (p,)."""
    out = np.zeros(fit.reml.coef.size)
    for n, i in chosen.items():
        if n in fit.settings:
            value, step = float(c.values[n][i]), fit.frame.setting(n).step
            out += (value - c.usual[n]) / step * step_weights(fit, n, c.place)
            out += bend_weights(fit, n, value) - bend_weights(fit, n, c.usual[n])
    return out


def class_moves(
    c: GuideClass, chosen: dict[str, int], head: dict[str, str], fits: dict[str, ResponseFit]
) -> ClassMoves:
    """Return the level of a class and the effects of its chosen values, for the worth of the guide.

    Args:
        c: the class.
        chosen: setting -> index of the chosen value in `c.values`.
        head: `generation`, `wetness_class` and `soil_class` of the class.
        fits: response -> its fit, as in `GuideBasis`.
    """
    usual = c.usual.get("ground_speed_kmh", USUAL_SPEED_KMH)
    speed = float(c.values["ground_speed_kmh"][chosen["ground_speed_kmh"]]) if "ground_speed_kmh" in chosen else usual
    weights = {r: _weights(f, c, chosen) for r, f in fits.items()}
    moved = {**c.usual, **{n: float(c.values[n][i]) for n, i in chosen.items()}}
    products = {r: [(p, float(p.product(moved) - p.product(c.usual))) for p in c.pairs.get(r, ())] for r in fits}
    return ClassMoves(head, c.z_dirt, c.root_loss_t_ha, c.topping, weights, products, (usual, speed), c.at, c.z_damaged)
