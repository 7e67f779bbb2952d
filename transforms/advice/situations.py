"""Where each machine stands before its next shift, and what is expected there if nothing is changed."""

import datetime as dt

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import USUAL_TOPS_PCT, CropAndHaul
from transforms.advice.moves import Situation
from transforms.advice.outlook import Outlook
from transforms.advice.posterior import DRAWS
from transforms.conditions.field_hours import soil_class, wetness_class
from transforms.config.settings_catalogue import TOPS, Catalogue
from transforms.model.effects import SUPPORT, classes_of, tried
from transforms.model.fit import SMALL_LOSS_T_HA, ResponseFit
from transforms.model.prediction import PredictionPoint, expected_scale, level_variance
from transforms.trace.pipeline import road_km

Array = NDArray[np.float64]
RECENT = dt.timedelta(days=2)
"""A machine that did not work within this of the fleet's last shift gets no advice."""
UNKNOWN_LOSS_T_HA = 2.0
"""Root loss where no audit tells; it then weighs in no advice."""
USUAL_WIDTH_M = 3.0


def _class(expression: pl.Expr) -> str:
    return str(pl.select(expression).item())


def tried_range(fit: ResponseFit, wetness: str, soil: str, min_loads: int) -> dict[str, tuple[float, float, int]]:
    """Return setting -> (low, high, loads) tried by the fleet in a class of conditions; empty where it is too thin."""
    cells = classes_of(fit.rows)
    inside = ((cells["wetness_class"] == wetness) & (cells["soil_class"] == soil)).fill_null(value=False).to_numpy()
    out = {}
    for name in fit.settings:
        j = fit.place(name)
        if tried(fit, name, inside, min_loads)[0]:
            values = fit.rows.filter(pl.Series(inside & fit.has[:, j]))[name].drop_nulls()
            low, high = (float(values.quantile(q)) for q in SUPPORT)  # type: ignore[arg-type]
            out[name] = (low, high, values.len())
    return out


def next_situations(
    facts: pl.DataFrame,
    outlook: Outlook,
    fields: pl.DataFrame,
    machines: pl.DataFrame,
    sites: dict[str, tuple[float, float]],
    dirt: ResponseFit,
    loss: ResponseFit | None,
    catalogue: Catalogue,
    min_loads: int,
    haul_km: float,
    rng: np.random.Generator,
) -> list[tuple[Situation, PredictionPoint]]:
    """Return (situation, its conditions) for every machine that worked in the last days.

    Each machine is taken to go on in the field it left, under the outlook's conditions.
    """
    worked = facts.drop_nulls(["machine_id", "topsoil_wetness", "lifted_at"])
    if not worked.height:
        return []
    last_day: dt.date = worked["shift_date"].max()  # type: ignore[assignment]
    recent = worked.filter(pl.col("shift_date") >= last_day - RECENT)
    out = []
    for (machine_id,), shifts in recent.group_by("machine_id", maintain_order=True):
        mine = shifts.filter(pl.col("shift_date") == pl.col("shift_date").max()).sort("lifted_at")
        field_id = str(mine["field_id"][-1])
        here = fields.filter(pl.col("field_id") == field_id).row(0, named=True)
        ahead = outlook.of(field_id)
        wetness = float(ahead["topsoil_wetness"])
        run_at = _last_settings(mine.filter(pl.col("field_id") == field_id), catalogue)
        at = _conditions_next(here, ahead, dirt, last_day)
        classes = _class(wetness_class(pl.lit(wetness))), _class(soil_class(pl.lit(at["clay_pct"])))
        place = PredictionPoint(at, classes[1], str(machine_id))
        ratio = np.exp(_level(dirt, place, field_id, run_at, rng))
        lost: Array | float = UNKNOWN_LOSS_T_HA
        if loss is not None:
            lost = np.maximum(np.exp(_level(loss, place, field_id, run_at, rng)) - SMALL_LOSS_T_HA, 0.0)
        tried_here = {n: t for n, t in tried_range(dirt, *classes, min_loads).items() if n in run_at}
        site = sites.get(str(mine["site_id"][-1]))
        km = road_km(float(here["lat_deg"]), float(here["lon_deg"]), site) if site else haul_km
        crop = CropAndHaul(
            float(here["yield_t_ha"]), km, _width_m(machines, str(machine_id)), *_quality(facts, field_id)
        )
        situation = Situation(
            str(machine_id),
            field_id,
            last_day + dt.timedelta(days=1),
            run_at,
            tried_here,
            *classes,
            ratio,
            lost,
            crop,
            wetness,
            str(ahead["outlook"]),
        )
        out.append((situation, place))
    return sorted(out, key=lambda s: s[0].machine_id)


def _last_settings(loads: pl.DataFrame, catalogue: Catalogue) -> dict[str, float]:
    names = [n for n in catalogue if n in loads.columns]
    means = loads.select(pl.col(names).mean()).row(0, named=True)
    return {n: float(v) for n, v in means.items() if v is not None}


def _level(
    fit: ResponseFit, place: PredictionPoint, field_id: str, settings: dict[str, float], rng: np.random.Generator
) -> Array:
    """Draws of z expected with the settings as they are, shape (draws,); what the next day adds is not known."""
    z = expected_scale(fit, place, field_id, settings)
    return np.asarray(z + np.sqrt(level_variance(fit, place, field_id)) * rng.standard_normal(DRAWS))


def _quality(facts: pl.DataFrame, field_id: str) -> tuple[float | None, float]:
    """Mean sugar and tops of the field's loads; the standard and the usual where none is measured."""
    mine = facts.filter(pl.col("field_id") == field_id)
    sugar, tops = (mine[c].mean() if c in mine.columns else None for c in ("sugar_pct", TOPS))
    return (None if sugar is None else float(sugar)), (USUAL_TOPS_PCT if tops is None else float(tops))  # type: ignore[arg-type]


def _conditions_next(
    here: dict[str, float], ahead: dict[str, float | str], fit: ResponseFit, last_day: dt.date
) -> dict[str, float]:
    first_day = fit.frame.season_starts[-1]
    return {
        "topsoil_wetness": float(ahead["topsoil_wetness"]),
        "clay_pct": float(here["clay_pct"]),
        "air_temp_c": float(ahead["air_temp_c"]),
        "yield_t_ha": float(here["yield_t_ha"]),
        "campaign_day": float((last_day - first_day).days + 1),
    }


def _width_m(machines: pl.DataFrame, machine_id: str) -> float:
    fitted = machines.filter(pl.col("machine_id") == machine_id)
    return float(fitted["rows_count"][0] * fitted["row_spacing_cm"][0] / 100) if fitted.height else USUAL_WIDTH_M
