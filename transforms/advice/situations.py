"""Situation of each machine before its next shift, and the results expected with unchanged settings."""

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.random import Generator
from numpy.typing import NDArray

from transforms.advice.cost import USUAL_TOPS_PCT, CropAndHaul
from transforms.advice.last_settings import loads_of_last_shift, mean_settings, own_settings
from transforms.advice.moves import Situation
from transforms.advice.outlook import WEATHER, Outlook
from transforms.advice.shrinkage import DRAWS
from transforms.advice.topping import TOPPING, topping_from_scale
from transforms.arrays import Mask, narrow, to_float
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS, TOPS, UNDER_TOPPED
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.classes import soil_class, wetness_class
from transforms.model.effects import SUPPORT, classes_of, untried_reason
from transforms.model.fit_result import ResponseFit
from transforms.model.prediction import PredictionPoint, expected_scale, level_variance
from transforms.model.response_scale import SMALL_LOSS_T_HA, value_from_scale
from transforms.model.root_mass import ROOT_MASS_KG
from transforms.trace.haul_distance import road_km

Array = NDArray[np.float64]
RECENT = dt.timedelta(days=2)
"""A machine that last worked longer than this before the fleet's last shift gets no advice."""
UNKNOWN_LOSS_T_HA = 2.0
"""Assumed root loss if there are no audits; it then influences no advice."""
USUAL_WIDTH_M = 3.0


def _class(expression: pl.Expr) -> str:
    """Return the value of a literal expression."""
    return str(pl.select(expression).item())


def tried_range(fit: ResponseFit, wetness: str, soil: str, min_loads: int) -> dict[str, tuple[float, float, int]]:
    """Return setting -> (low, high, loads) tried by the fleet in a class; settings with too few loads are omitted.

    Args:
        fit: fit of a response, whose rows are the fleet's loads.
        wetness: wetness class, one of `WETNESS_CLASSES`.
        soil: soil class, one of `SOIL_CLASSES`.
        min_loads: smallest number of loads of a setting in the class.

    Returns:
        Low and high are the quantiles `SUPPORT` of the values, in the setting's unit.
    """

    def find() -> dict[str, tuple[float, float, int]]:
        inside = _in_class(fit, wetness, soil)
        names = [n for n in fit.settings if untried_reason(fit, n, inside, min_loads) is None]
        return _ranges(fit, names, inside)

    return dict(fit.cached(f"tried if {wetness} and {soil} by {min_loads}", find))


def ran_range(fit: ResponseFit, wetness: str, soil: str, min_loads: int) -> dict[str, tuple[float, float, int]]:
    """Return setting -> (low, high, loads) at which the fleet ran in a class, also if it hardly moved within visits.

    Args:
        fit: fit of a response, whose rows are the fleet's loads.
        wetness: wetness class, one of `WETNESS_CLASSES`.
        soil: soil class, one of `SOIL_CLASSES`.
        min_loads: smallest number of loads of a setting in the class.

    Returns:
        Low and high are the quantiles `SUPPORT` of the values, in the setting's unit.
    """
    inside = _in_class(fit, wetness, soil)
    found = _ranges(fit, [s.name for s in fit.frame.settings if s.nature == "numeric"], inside)
    return {n: r for n, r in found.items() if r[2] >= min_loads}


def _in_class(fit: ResponseFit, wetness: str, soil: str) -> Mask:
    """Return the mask of the rows in a class of wetness and soil, shape (n,)."""
    cells = classes_of(fit.rows)
    inside = (cells["wetness_class"] == wetness) & (cells["soil_class"] == soil)
    return np.asarray(inside.fill_null(value=False).to_numpy())


def _ranges(fit: ResponseFit, names: list[str], inside: Mask) -> dict[str, tuple[float, float, int]]:
    """Return setting -> (low, high, loads): the quantiles `SUPPORT` of its values in some rows."""
    kept, out = pl.Series(inside), {}
    for name in names:
        values = fit.rows[name].filter(kept).drop_nulls()
        low, high = (to_float(values.quantile(q) or 0.0) for q in SUPPORT)
        out[name] = (low, high, values.len())
    return out


@dataclass(frozen=True)
class FleetData:
    """Loads, fields, machines and sites of the season.

    Attributes:
        facts: `load_fact`.
        fields: the field list.
        machines: `machine`, for working widths.
        sites: site -> latitude and longitude of the factory, degrees.
        haul_km: road distance if the site of a field is unknown.
        stalks_tops_pct: top tare of a root with leaf stalks over 2 cm, used if no top tare is fitted.
    """

    facts: pl.DataFrame
    fields: pl.DataFrame
    machines: pl.DataFrame
    sites: dict[str, tuple[float, float]]
    haul_km: float
    stalks_tops_pct: float = 0.0


def next_situations(
    fleet: FleetData,
    outlook: Outlook,
    fits: dict[str, ResponseFit],
    catalogue: Catalogue,
    min_loads: int,
    rng: Generator,
) -> list[tuple[Situation, PredictionPoint]]:
    """Return the situation and the conditions of every machine that worked in the last days, by machine.

    Each machine is assumed to continue in its last field, under the conditions of the outlook.

    Args:
        fleet: loads, fields, machines and sites.
        outlook: conditions of the next shift.
        fits: response -> its fit; that of dirt is among them.
        catalogue: the settings known.
        min_loads: smallest number of loads of a setting in a class.
        rng: random generator.
    """
    dirt, loss = fits[DIRT], fits.get(ROOT_LOSS)
    worked = fleet.facts.drop_nulls(["machine_id", "topsoil_wetness", "lifted_at"])
    if not worked.height:
        return []
    last_day = narrow(worked["shift_date"].max(), dt.date)
    recent = worked.filter(pl.col("shift_date") >= last_day - RECENT)
    out = []
    for (machine_id,), shifts in recent.group_by("machine_id", maintain_order=True):
        last_shift = loads_of_last_shift(shifts)
        own = own_settings(worked.filter(pl.col("machine_id") == machine_id), catalogue)
        field_id = str(last_shift["field_id"][-1])
        field = fleet.fields.filter(pl.col("field_id") == field_id).row(0, named=True)
        expected = outlook.field_conditions(field_id)
        wetness = float(expected["topsoil_wetness"])
        run_at = mean_settings(last_shift.filter(pl.col("field_id") == field_id), own)
        conditions = _conditions_next(field, expected, dirt, last_day, _root_kg(fits, field_id))
        classes = _class(wetness_class(pl.lit(wetness))), _class(soil_class(pl.lit(conditions["clay_pct"])))
        place = PredictionPoint(conditions, classes[1], str(machine_id))
        ratio = np.exp(_level(dirt, place, field_id, run_at, rng))
        lost = UNKNOWN_LOSS_T_HA if loss is None else _root_loss(loss, place, field_id, run_at, rng)
        tried_here = {n: t for n, t in tried_ranges(fits, *classes, min_loads).items() if n in run_at}
        situation = Situation(
            str(machine_id),
            field_id,
            last_day + dt.timedelta(days=1),
            run_at,
            tried_here,
            *classes,
            ratio,
            lost,
            _crop_and_haul(fleet, field, str(machine_id), str(last_shift["site_id"][-1])),
            wetness,
            str(expected["outlook"]),
            topping_from_scale(_topping_levels(fits, place, field_id, run_at, rng), fleet.stalks_tops_pct),
            _damaged(fits, place, field_id, run_at, rng),
            ran_range(dirt, *classes, min_loads),
        )
        out.append((situation, place))
    return sorted(out, key=lambda s: s[0].machine_id)


def tried_ranges(
    fits: dict[str, ResponseFit], wetness: str, soil: str, min_loads: int
) -> dict[str, tuple[float, float, int]]:
    """Return the tried ranges of `tried_range` over the loads of dirt, and of top tare for settings that act on it.

    Without top tare, those of the quality checks of stalks count.

    Args:
        fits: response -> its fit; that of dirt is among them.
        wetness: wetness class, one of `WETNESS_CLASSES`.
        soil: soil class, one of `SOIL_CLASSES`.
        min_loads: smallest number of loads of a setting in the class.
    """
    leaf = next((r for r in (TOPS, UNDER_TOPPED) if r in fits), None)
    of_leaf = {} if leaf is None else tried_range(fits[leaf], wetness, soil, min_loads)
    return {**of_leaf, **tried_range(fits[DIRT], wetness, soil, min_loads)}


def _topping_levels(
    fits: dict[str, ResponseFit], place: PredictionPoint, field_id: str, settings: dict[str, float], rng: Generator
) -> dict[str, Array]:
    """Return draws of the level of each response of topping expected with current settings, on the fitted scale."""
    return {r: _level(fits[r], place, field_id, settings, rng) for r in TOPPING if r in fits}


def _damaged(
    fits: dict[str, ResponseFit], place: PredictionPoint, field_id: str, settings: dict[str, float], rng: Generator
) -> Array | None:
    """Return draws of the roots with damaged skin expected with current settings, %; None if they are not fitted."""
    if DAMAGED not in fits:
        return None
    return value_from_scale(DAMAGED, _level(fits[DAMAGED], place, field_id, settings, rng))


def _root_loss(
    fit: ResponseFit, place: PredictionPoint, field_id: str, settings: dict[str, float], rng: Generator
) -> Array:
    """Return draws of root loss expected with current settings, t/ha, shape (draws,)."""
    return np.maximum(np.exp(_level(fit, place, field_id, settings, rng)) - SMALL_LOSS_T_HA, 0.0)


def _crop_and_haul(fleet: FleetData, field: dict[str, Any], machine_id: str, site_id: str) -> CropAndHaul:
    """Return the crop of a field and its haul to a site."""
    site = fleet.sites.get(site_id)
    km = road_km(float(field["lat_deg"]), float(field["lon_deg"]), site) if site else fleet.haul_km
    quality = _quality(fleet.facts, str(field["field_id"]))
    return CropAndHaul(float(field["yield_t_ha"]), km, _width_m(fleet.machines, machine_id), *quality)


def _level(
    fit: ResponseFit, place: PredictionPoint, field_id: str, settings: dict[str, float], rng: Generator
) -> Array:
    """Return draws of z expected with current settings, shape (draws,); they include the unknown effect of the day."""
    z = expected_scale(fit, place, field_id, settings)
    return np.asarray(z + np.sqrt(level_variance(fit, place, field_id)) * rng.standard_normal(DRAWS))


def _quality(facts: pl.DataFrame, field_id: str) -> tuple[float | None, float]:
    """Return mean sugar content and top tare of the field's loads; None and the usual top tare if none is measured."""
    own_loads = facts.filter(pl.col("field_id") == field_id)
    sugar, tops = (own_loads[c].mean() if c in own_loads.columns else None for c in ("sugar_pct", TOPS))
    return (None if sugar is None else to_float(sugar)), (USUAL_TOPS_PCT if tops is None else to_float(tops))


def _root_kg(fits: dict[str, ResponseFit], field_id: str) -> float | None:
    """Return the mean root mass of a field, kg, as the fits know or fill it, else the median; None if none has it."""
    known = [f.rows for f in fits.values() if ROOT_MASS_KG in f.rows.columns]
    of_field = (rows.filter(pl.col("field_id") == field_id)[ROOT_MASS_KG] for rows in known)
    kg = next((v for v in (x.mean() for x in of_field) if v is not None), None)
    if kg is None and known:
        kg = known[0][ROOT_MASS_KG].median()
    return None if kg is None else to_float(kg)


def _conditions_next(
    field: dict[str, float],
    expected: dict[str, float | str],
    fit: ResponseFit,
    last_day: dt.date,
    root_kg: float | None,
) -> dict[str, float]:
    """Return the conditions of a field in the next shift."""
    first_day = fit.frame.season_starts[-1]
    return {
        **{n: float(expected[n]) for n in WEATHER},
        "clay_pct": float(field["clay_pct"]),
        "yield_t_ha": float(field["yield_t_ha"]),
        "campaign_day": float((last_day - first_day).days + 1),
        **({} if root_kg is None else {ROOT_MASS_KG: root_kg}),
    }


def _width_m(machines: pl.DataFrame, machine_id: str) -> float:
    """Return the working width of a machine, m."""
    own = machines.filter(pl.col("machine_id") == machine_id)
    return float(own["rows_count"][0] * own["row_spacing_cm"][0] / 100) if own.height else USUAL_WIDTH_M
