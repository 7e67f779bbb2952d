"""Field visits of the simulated fleet over a season, and their log records."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.settings_catalogue import Catalogue
from transforms.demo.district import District
from transforms.demo.operation import SimulatedFieldWork, Visit, VisitConditions, work_visit
from transforms.demo.operators import hire_operator
from transforms.demo.scenario import Plan
from transforms.demo.weather import true_wetness

Array = NDArray[np.float64]
SPIN_UP_DAYS = 10
"""Days of weather before the first shift, so that soil wetness does not depend on its initial value."""


@dataclass(frozen=True)
class HiddenEffects:
    """Effects on the log of dirt that no export shows.

    Attributes:
        field: by field.
        machine: by machine.
        machine_day: by machine and day.
    """

    field: Array
    machine: Array
    machine_day: Array


def wetness_by_hour(rng: np.random.Generator, district: District, weather: pl.DataFrame) -> Array:
    """Return the true topsoil wetness, 0..1, shape (hours, fields)."""
    fields = district.fields
    shift = rng.normal(0, 0.04, len(fields))
    hours = weather.filter(pl.col("station_id") == weather["station_id"][0]).height
    out = np.empty((hours, len(fields)))
    clay = fields["clay_pct"].to_numpy() / 100
    for station in fields["station_id"].unique(maintain_order=True):
        is_own = (fields["station_id"] == station).to_numpy()
        out[:, is_own] = true_wetness(weather.filter(pl.col("station_id") == station), clay[is_own], shift[is_own])
    return out


def simulate_visits(
    rng: np.random.Generator,
    plan: Plan,
    district: District,
    catalogue: Catalogue,
    hidden: HiddenEffects,
    wetness: Array,
) -> list[Visit]:
    """Return the visits of the season: after finishing a field, a machine takes the next one or joins a large one."""
    fields = district.fields
    operators = [hire_operator(rng, i, name) for i, name in enumerate(district.machines["generation"].to_list())]
    areas = fields["area_ha"].to_list()
    queue = [int(i) for i in rng.permutation(len(fields))]
    open_work: dict[int, SimulatedFieldWork] = {}
    visits: list[Visit] = []
    for day in range(plan.days):
        for operator in operators:
            evening = 12 * 3600 if plan.scenario.night else 0
            clock = day * 86_400 + rng.uniform(6.4, 7.2) * 3600 + evening
            ends = day * 86_400 + rng.uniform(16.6, 17.8) * 3600 + evening
            while ends - clock > 2400:
                work = open_work.get(operator.machine)
                if work is None or work.remaining_ha <= 0.3:
                    work = _next_field(rng, operator.machine, open_work, queue, areas, plan.scenario.machines_a_field)
                    if work is None:
                        break
                    open_work[operator.machine] = work
                place = fields.row(work.index, named=True)
                hour = SPIN_UP_DAYS * 24 + int(clock // 3600)
                seen = (
                    float(wetness[hour, work.index]),
                    place["clay_pct"] / 100,
                    float(hidden.field[work.index] + hidden.machine_day[operator.machine, day]),
                )
                conditions = VisitConditions(
                    day=day,
                    start_s=clock,
                    end_s=ends,
                    interval_s=1 / plan.hz,
                    seen=seen,
                    side_m=100 * areas[work.index] ** 0.5,
                    yield_t_ha=place["yield_t_ha"],
                    patchiness=plan.scenario.patchiness,
                )
                visit = work_visit(rng, operator, catalogue, work, conditions)
                visits.append(visit)
                clock = visit.second[-1] + rng.uniform(20, 45) * 60
    return visits


def _next_field(
    rng: np.random.Generator,
    machine: int,
    open_work: dict[int, SimulatedFieldWork],
    queue: list[int],
    areas: list[float],
    together: int,
) -> SimulatedFieldWork | None:
    """Return the field of the machine's group, by chance another machine's field, or else the next in the queue."""
    others = {m: w for m, w in open_work.items() if m != machine and w.remaining_ha > 12}
    group = [w for m, w in others.items() if m // together == machine // together]
    if group:
        return group[0]
    if others and together == 1 and rng.random() < 0.18:
        return list(others.values())[int(rng.integers(len(others)))]
    if queue:
        index = queue.pop()
        return SimulatedFieldWork(index, areas[index])
    return None


def visit_records(visits: list[Visit]) -> pl.DataFrame:
    """Return the log records of all visits, one row per interval."""
    frames = [
        pl.DataFrame(
            {
                "visit": np.full(v.second.size, i),
                "machine": np.full(v.second.size, v.machine),
                "day": np.full(v.second.size, v.day),
                "field_index": np.full(v.second.size, v.field_index),
                "second": v.second,
                "state": v.state,
                "east_m": v.position_m[0],
                "north_m": v.position_m[1],
                "clean_t": v.clean_t,
                "area_ha": v.area_ha,
                "pass_noise": v.pass_noise,
                "unloading": v.unloading,
                "tank_t": v.tank_t,
                "sections_on_pct": v.sections_on_pct,
                **v.settings,
            }
        )
        for i, v in enumerate(visits)
    ]
    return pl.concat(frames, how="diagonal")
