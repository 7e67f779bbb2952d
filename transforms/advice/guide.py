"""The setting guide: where to start in each class of conditions, how far that may be off, and what being off costs.

For a usual machine and field in the middle of a class, settings are moved one after the other to where the expected
cost is least, within what the fleet has tried in the class, until none moves. Values whose cost cannot be told from the
least make the range; where that is nearly all that was tried, the guide says "flat" and leaves the setting as usual.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import USUAL_TOPS_PCT, CropAndHaul, cost_per_t
from transforms.advice.moves import SMALLEST_GAIN_PER_T, USUAL_SPEED_KMH
from transforms.advice.season_worth import WORTH_SCHEMA, ClassMoves, guide_worth
from transforms.advice.shrinkage import Shrinkage
from transforms.advice.situations import UNKNOWN_LOSS_T_HA, USUAL_WIDTH_M, tried_range
from transforms.config.settings_catalogue import ROOT_LOSS, TOPS, Catalogue
from transforms.config.workspace import Prices
from transforms.model.effects import classes_of
from transforms.model.fit import SMALL_LOSS_T_HA, ResponseFit
from transforms.model.prediction import PredictionPoint, bend_weights, expected_scale, level_variance, step_weights

Array = NDArray[np.float64]
DRAWS = 1000
STEPS_BETWEEN = 2
"""Values looked at a practical step."""
MOST_VALUES = 41
SWEEPS = 4
FLAT_SHARE = 0.8
WETNESSES, SOIL_CLASSES = ("dry", "moist", "wet"), ("light", "medium", "heavy")
GUIDE_SCHEMA = {
    "generation": pl.String,
    "wetness_class": pl.String,
    "soil_class": pl.String,
    "setting": pl.String,
    "unit": pl.String,
    "start_value": pl.Float64,
    "range_lo": pl.Float64,
    "range_hi": pl.Float64,
    "tried_lo": pl.Float64,
    "tried_hi": pl.Float64,
    "usual_value": pl.Float64,
    "n": pl.Int64,
    "says": pl.String,
}
GUIDE_CLASS_SCHEMA = {
    "generation": pl.String,
    "wetness_class": pl.String,
    "soil_class": pl.String,
    "n": pl.Int64,
    "dirt_pct": pl.Float64,
    "dirt_lo95": pl.Float64,
    "dirt_hi95": pl.Float64,
    "root_loss_t_ha": pl.Float64,
    "root_loss_lo95": pl.Float64,
    "root_loss_hi95": pl.Float64,
    "cost_per_t": pl.Float64,
    "cost_lo95": pl.Float64,
    "cost_hi95": pl.Float64,
    "saved_per_t": pl.Float64,
    "saved_lo95": pl.Float64,
    "saved_hi95": pl.Float64,
    "says": pl.String,
}
GUIDE_CURVE_SCHEMA = {
    "generation": pl.String,
    "wetness_class": pl.String,
    "soil_class": pl.String,
    "setting": pl.String,
    "value": pl.Float64,
    "cost_change_per_t": pl.Float64,
    "lo95": pl.Float64,
    "hi95": pl.Float64,
}


@dataclass(frozen=True)
class Guide:
    """The tables `guide`, `guide_class`, `guide_curve` and `guide_worth`."""

    settings: pl.DataFrame
    classes: pl.DataFrame
    curves: pl.DataFrame
    worth: pl.DataFrame


@dataclass(frozen=True)
class _Class:
    """One class for one generation: the values to choose from, and draws of what each does.

    Attributes:
        values: setting -> values, ascending.
        usual: setting -> the generation's usual value there.
        dirt: setting -> draws of the log change of dirt from the usual, shape (draws, values).
        loss: the same of root loss.
        z_dirt: draws of log dirt ratio with usual settings, shape (draws,).
        z_loss: draws of root loss t/ha with usual settings, shape (draws,).
        at: crop and haul.
        place: the middle of the class.
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
        """Draws of cost with settings as chosen, shape (draws, 1), or with `name` at each value, (draws, values)."""
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


def _grid(low: float, high: float, step: float) -> Array:
    """Half steps within a range, on round values; its middle where it holds none."""
    half = step / STEPS_BETWEEN
    first, last = int(np.ceil(low / half - 1e-9)), int(np.floor(high / half + 1e-9))
    if last < first:
        return np.array([(low + high) / 2])
    every = max(1, (last - first) // MOST_VALUES + 1)
    return np.asarray(np.arange(first, last + 1, every) * half, dtype=np.float64)


def _draws(
    fit: ResponseFit | None,
    values: dict[str, Array],
    usual: dict[str, float],
    place: PredictionPoint,
    shrink: Shrinkage | None,
    rng: np.random.Generator,
) -> dict[str, Array]:
    """Draws of the log change from the usual value for each value of each setting."""
    nothing = {n: np.zeros((DRAWS, v.size)) for n, v in values.items()}
    names = [n for n in values if fit is not None and n in fit.settings]
    if fit is None or shrink is None or not names:
        return nothing
    rows = []
    for n in names:
        slope, bend = step_weights(fit, n, place), bend_weights(fit, n, usual[n])
        steps = (values[n] - usual[n]) / next(s.step for s in fit.frame.settings if s.name == n)
        rows += [k * slope + bend_weights(fit, n, float(v)) - bend for k, v in zip(steps, values[n], strict=True)]
    L = np.array(rows)
    mean, V = shrink.moved(fit, L)
    drawn = rng.multivariate_normal(mean, V, size=DRAWS, method="eigh")
    edges = np.cumsum([values[n].size for n in names])[:-1]
    return nothing | dict(zip(names, np.split(drawn, edges, axis=1), strict=True))


def _level(fit: ResponseFit, place: PredictionPoint, usual: dict[str, float], rng: np.random.Generator) -> Array:
    """Draws of z of a visit of any machine in any field of the class, usual settings."""
    z = expected_scale(fit, place, "", usual)
    return np.asarray(z + np.sqrt(level_variance(fit, place, "")) * rng.standard_normal(DRAWS))


def _best(c: _Class, open_: list[str], prices: Prices) -> dict[str, int]:
    chosen = {n: int(np.abs(c.values[n] - c.usual[n]).argmin()) for n in open_}
    for _ in range(SWEEPS):
        before = dict(chosen)
        for n in open_:
            chosen[n] = int(c.cost(chosen, prices, n).mean(axis=0).argmin())
        if chosen == before:
            break
    return chosen


def _alike(c: _Class, chosen: dict[str, int], name: str, prices: Prices) -> NDArray[np.bool_]:
    """Which values of a setting cannot be told from the chosen one by their cost."""
    away = c.cost(chosen, prices, name)
    low = np.quantile(away - away[:, [chosen[name]]], 0.025, axis=0)
    return np.asarray(low <= SMALLEST_GAIN_PER_T)


def _interval(draws: Array) -> tuple[float, float, float]:
    low, high = np.quantile(draws, (0.025, 0.975))
    return float(np.mean(draws)), float(low), float(high)


def _class_of(
    dirt: ResponseFit,
    loss: ResponseFit | None,
    rows: pl.DataFrame,
    mine: pl.DataFrame,
    soil: str,
    tried: dict[str, tuple[float, float, int]],
    shrink: dict[str, Shrinkage],
    catalogue: Catalogue,
    haul_km: float,
    rng: np.random.Generator,
) -> _Class:
    names = {n for f in (dirt, loss) if f is not None for n in f.frame.terms.conditions}
    middle = rows.select(pl.col(sorted(names)).cast(pl.Float64).median()).row(0, named=True)
    place = PredictionPoint(middle, soil, "")
    usual = {n: float(mine[n].median()) for n in tried if mine[n].count()}  # type: ignore[arg-type]
    values = {n: _grid(*tried[n][:2], catalogue[n].step) for n in usual}
    lost = np.full(DRAWS, UNKNOWN_LOSS_T_HA)
    if loss is not None:
        lost = np.maximum(np.exp(_level(loss, place, usual, rng)) - SMALL_LOSS_T_HA, 0.0)
    z_dirt = _level(dirt, place, usual, rng)
    tops = rows[TOPS].mean() if TOPS in rows.columns else None
    sugar = rows["sugar_pct"].mean() if "sugar_pct" in rows.columns else None
    at = CropAndHaul(
        float(middle["yield_t_ha"]),
        haul_km,
        USUAL_WIDTH_M,
        None if sugar is None else float(sugar),  # type: ignore[arg-type]
        USUAL_TOPS_PCT if tops is None else float(tops),  # type: ignore[arg-type]
    )
    d = _draws(dirt, values, usual, place, shrink.get(dirt.response), rng)
    r = _draws(loss, values, usual, place, shrink.get(ROOT_LOSS), rng)
    return _Class(values, usual, d, r, z_dirt, lost, at, place)


def _weights(fit: ResponseFit | None, c: _Class, chosen: dict[str, int]) -> Array:
    """Weights over the coefficients of what the chosen values do against the usual ones, shape (p,)."""
    if fit is None:
        return np.zeros(0)
    out = np.zeros(fit.reml.coef.size)
    for n, i in chosen.items():
        if n in fit.settings:
            value, step = float(c.values[n][i]), next(s.step for s in fit.frame.settings if s.name == n)
            out += (value - c.usual[n]) / step * step_weights(fit, n, c.place)
            out += bend_weights(fit, n, value) - bend_weights(fit, n, c.usual[n])
    return out


def _moves(
    c: _Class, chosen: dict[str, int], head: dict[str, str], fits: tuple[ResponseFit, ResponseFit | None]
) -> ClassMoves:
    usual = c.usual.get("ground_speed_kmh", USUAL_SPEED_KMH)
    speed = float(c.values["ground_speed_kmh"][chosen["ground_speed_kmh"]]) if "ground_speed_kmh" in chosen else usual
    weights = {f.response: _weights(f, c, chosen) for f in fits if f is not None}
    return ClassMoves(head, c.z_dirt, c.z_loss, weights, (usual, speed), c.at)


def setting_guide(
    dirt: ResponseFit,
    loss: ResponseFit | None,
    shrink: dict[str, Shrinkage],
    catalogue: Catalogue,
    prices: Prices,
    min_loads: int,
    clean_t: pl.DataFrame,
    rng: np.random.Generator,
) -> Guide:
    """Return the guide of every generation and class of conditions.

    Args:
        dirt: the fit of dirt; its rows hold `generation`.
        loss: the fit of root loss; a setting that may act on it stays at its usual value where this cannot weigh it.
        shrink: spread of effects, by response.
        catalogue: the settings known.
        prices: what soil, roots, sugar and hours cost.
        min_loads: loads that a class must rest on.
        clean_t: `generation, wetness_class, soil_class, clean_t` of the season.
        rng: for the draws.
    """
    if "generation" not in dirt.rows.columns:
        schemas = (GUIDE_SCHEMA, GUIDE_CLASS_SCHEMA, GUIDE_CURVE_SCHEMA, WORTH_SCHEMA)
        return Guide(*(pl.DataFrame(schema=s) for s in schemas))
    classes = classes_of(dirt.rows)
    rows, cells, curves, moves = [], [], [], []
    for generation in dirt.rows["generation"].drop_nulls().unique().sort():
        own = dirt.rows["generation"] == generation
        # Loads that hold a part of another machine's have its settings too: a machine has what most of its loads have.
        loads = dirt.rows.filter(own)
        has = {n for n in dirt.settings if loads[n].count() > loads.height / 2}
        for wet in WETNESSES:
            for soil in SOIL_CLASSES:
                inside = ((classes["wetness_class"] == wet) & (classes["soil_class"] == soil)).fill_null(value=False)
                head = {"generation": generation, "wetness_class": wet, "soil_class": soil}
                tried = {n: t for n, t in tried_range(dirt, wet, soil, min_loads).items() if n in has}
                n, mine = int(inside.sum()), dirt.rows.filter(inside & own)
                if not tried or not mine.height:
                    cells.append(
                        {**head, "n": n, "says": f"too few loads: {n} in the fleet, {mine.height} of this kind"}
                    )
                    continue
                c = _class_of(
                    dirt, loss, dirt.rows.filter(inside), mine, soil, tried, shrink, catalogue, prices.haul_km, rng
                )
                found = _told(c, head, tried, loss, catalogue, prices)
                rows += found[0]
                cells.append({**found[1], "n": n})
                curves += found[2]
                moves.append(_moves(c, found[3], head, (dirt, loss)))
    return Guide(
        pl.DataFrame(rows, schema=GUIDE_SCHEMA),
        pl.DataFrame(cells, schema=GUIDE_CLASS_SCHEMA),
        pl.DataFrame(curves, schema=GUIDE_CURVE_SCHEMA),
        guide_worth(moves, dirt, loss, shrink, clean_t, prices, DRAWS, rng),
    )


def _told(
    c: _Class,
    head: dict[str, str],
    tried: dict[str, tuple[float, float, int]],
    loss: ResponseFit | None,
    catalogue: Catalogue,
    prices: Prices,
) -> tuple[list[dict[str, object]], dict[str, object], list[dict[str, object]], dict[str, int]]:
    weighable = loss.settings if loss is not None else []
    open_ = [n for n in c.values if ROOT_LOSS not in catalogue[n].responses or n in weighable]
    chosen = _best(c, open_, prices)
    flat = {n for n in open_ if _alike(c, chosen, n, prices).mean() >= FLAT_SHARE}
    chosen |= {n: int(np.abs(c.values[n] - c.usual[n]).argmin()) for n in flat}
    rows, curves = [], []
    for n in c.values:
        low, high, count = tried[n]
        row: dict[str, object] = {
            **head,
            "setting": n,
            "unit": catalogue[n].unit,
            "tried_lo": low,
            "tried_hi": high,
            "usual_value": c.usual[n],
            "n": count,
        }
        if n not in open_:
            why = "as usual: root loss cannot be weighed here"
            rows.append({**row, "start_value": c.usual[n], "range_lo": None, "range_hi": None, "says": why})
            continue
        alike = c.values[n][_alike(c, chosen, n, prices)]
        says = "flat: as usual, no value tried is told from the best" if n in flat else "best of those tried"
        rows.append(
            {
                **row,
                "start_value": float(c.values[n][chosen[n]]),
                "range_lo": float(alike.min()),
                "range_hi": float(alike.max()),
                "says": says,
            }
        )
        away = c.cost(chosen, prices, n) - c.cost(chosen, prices)
        lows, highs = np.quantile(away, (0.025, 0.975), axis=0)
        curves += [
            {
                **head,
                "setting": n,
                "value": float(v),
                "cost_change_per_t": float(m),
                "lo95": float(lo),
                "hi95": float(hi),
            }
            for v, m, lo, hi in zip(c.values[n], away.mean(axis=0), lows, highs, strict=True)
        ]
    return rows, {**head, **_expected(c, chosen, prices)}, curves, chosen


def _expected(c: _Class, chosen: dict[str, int], prices: Prices) -> dict[str, object]:
    d = c.z_dirt + sum(c.dirt[n][:, i] for n, i in chosen.items())
    r = np.log(c.z_loss + SMALL_LOSS_T_HA) + sum(c.loss[n][:, i] for n, i in chosen.items())
    ratio, lost = np.exp(d), np.maximum(np.exp(r) - SMALL_LOSS_T_HA, 0.0)
    best, usual = c.cost(chosen, prices)[:, 0], c.cost({}, prices)[:, 0]
    out: dict[str, object] = {"says": "95 % of visits of this kind lie within"}
    for names, draws in (
        (("dirt_pct", "dirt_lo95", "dirt_hi95"), 100 * ratio / (1 + ratio)),
        (("root_loss_t_ha", "root_loss_lo95", "root_loss_hi95"), lost),
        (("cost_per_t", "cost_lo95", "cost_hi95"), best),
        (("saved_per_t", "saved_lo95", "saved_hi95"), usual - best),
    ):
        out |= dict(zip(names, _interval(draws), strict=True))
    return out
