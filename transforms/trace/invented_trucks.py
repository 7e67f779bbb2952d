"""Truck numbers as the tickets of a field could have them, given the machines that its loads were traced to."""

import numpy as np
import polars as pl

from transforms.trace.day_clocks import USUAL_LAG_MIN, USUAL_MIN_PER_KM
from transforms.trace.field_work import sort_by_weighing, to_minutes
from transforms.trace.truck_home import add_home_vehicle

FILL_MIN, UNLOAD_MIN = 12.0, 12.0
"""Minutes in which a truck is filled, and from weighing full to weighing empty (common practice, no source)."""
LEAK = 0.1
"""Share of loads taken by a truck that usually serves another machine (common practice, no source)."""


def invent_trucks(loads: pl.DataFrame, machines: dict[str, str], seed: int) -> pl.DataFrame:
    """Return loads with `truck_id` and its home vehicle: first come, first served at the machine that filled the load.

    Args:
        loads: `load_id, km, weighed_at` of one field.
        machines: load -> machine that it was traced to; a load without one has no truck.
        seed: seed of the loads that a truck of another machine takes.
    """
    rng = np.random.default_rng(seed)
    ordered = sort_by_weighing(loads)
    way_min = USUAL_MIN_PER_KM * ordered["km"].to_numpy()
    weighed = to_minutes(ordered, "weighed_at")
    starts, back = weighed - USUAL_LAG_MIN - way_min - FILL_MIN, weighed + UNLOAD_MIN + way_min
    names = sorted(set(machines.values()))
    free: dict[str, list[tuple[float, int]]] = {m: [] for m in names}
    trucks: list[str | None] = []
    count = 0
    for i, load_id in enumerate(ordered["load_id"]):
        machine = machines.get(load_id)
        if machine is None:
            trucks.append(None)
            continue
        others = [m for m in names if m != machine]
        if others and rng.random() < LEAK:
            machine = others[int(rng.integers(len(others)))]
        waiting = sorted(t for t in free[machine] if t[0] <= starts[i])
        if waiting:
            free[machine].remove(waiting[0])
            number = waiting[0][1]
        else:
            count += 1
            number = count
        free[machine].append((float(back[i]), number))
        trucks.append(f"truck {number}")
    return add_home_vehicle(ordered.with_columns(pl.Series("truck_id", trucks, dtype=pl.String)))
