"""Several machines in one field: which machine filled which load, by minimum-cost assignment."""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from transforms.trace.align import left_when
from transforms.trace.streams import Stream

WRONG_MACHINE = 1e6
"""Cost of giving a load to a machine its ticket does not name."""


def split_loads(
    streams: list[Stream],
    left_field_us: NDArray[np.int64],
    gross_t: NDArray[np.float64],
    named: list[str | None],
    offsets_us: dict[str, int],
    spread_min: float,
) -> NDArray[np.int64]:
    """Give each load of a field and day to one of the streams lifted there.

    Every stream is cut into slots of the mean load; a load and a slot cost the squared distance, in spreads of the
    lag, between when the load left and when the slot was full, on corrected clocks.

    Args:
        streams: the machines' streams, at least one.
        left_field_us: when each load is thought to have left the field, shape (n,).
        gross_t: mass of each load.
        named: the machine a ticket names, or None.
        offsets_us: machine -> microseconds its clock is ahead.
        spread_min: robust spread of the lag.

    Returns:
        Index into `streams` for each load; -1 where the ticket names a machine that did not lift there.
    """
    here = {s.machine_id: i for i, s in enumerate(streams)}
    fixed = np.array([-1 if m is not None and m not in here else 0 for m in named])
    if len(streams) == 1:
        return np.where(fixed < 0, -1, 0)
    total = sum(s.lifted_t for s in streams)
    scale = gross_t.sum() / total
    owner, full_at = [], []
    for i, stream in enumerate(streams):
        count = max(1, round(stream.lifted_t * scale / gross_t.mean()))
        slots = left_when(stream.batch_t, stream.left_at, stream.lifted_t * (np.arange(count) + 1) / count)
        owner += [i] * count
        full_at += list(slots - offsets_us.get(stream.machine_id, 0))
    owners, times = np.array(owner, dtype=np.int64), np.array(full_at)
    minutes = (left_field_us[:, None] - times[None, :]) / 60e6
    cost = np.minimum((minutes / max(spread_min, 2.0)) ** 2, 400.0)
    for row, machine in enumerate(named):
        if machine is not None and machine in here:
            cost[row, owners != here[machine]] = WRONG_MACHINE
    rows, columns = linear_sum_assignment(cost)
    given: NDArray[np.int64] = np.full(len(named), -2, dtype=np.int64)
    given[rows] = owners[columns]
    nearest = owners[np.argmin(np.abs(minutes), axis=1)]
    given = np.where(given == -2, nearest, given)
    by_name = np.array([-2 if m is None else here.get(m, -1) for m in named], dtype=np.int64)
    return np.where(by_name == -2, given, by_name)
