"""Effect of fitted parts, such as bars or tines on the cleaners: contrasts between the days of one machine.

Parts are changed in the workshop, never within a visit, so they can only be compared between visits of a machine before
and after a change. What else differed between these days (weather, crop, the operator's other choices) is in the
comparison as far as the model does not explain it. So it is reported as confounded, whatever its interval, and a trial
with both parts at the same time would settle it.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import t

from transforms.arrays import Array, Mask
from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of
from transforms.model.checks.score import score_test
from transforms.model.effects import percent
from transforms.model.fit_result import ResponseFit

PART_SCHEMA = schema_of("part_effect")
MIN_MACHINES = 2
"""Minimum number of machines that changed between two parts: one machine's two halves of a season say nothing."""


def parts_in_force(rows: pl.DataFrame, setups: pl.DataFrame, time_zone: str) -> pl.Series:
    """Return the parts fitted on each row's shift date; null before the first entry of a machine.

    Args:
        rows: facts with `machine_id` and `shift_date`.
        setups: `machine_setup`, with `machine_id`, `valid_from_at` and `cleaning_elements`.
        time_zone: time zone of the shifts; parts count from the day on which they were fitted.
    """
    day = pl.col("valid_from_at").dt.convert_time_zone(time_zone).dt.date()
    dated = setups.select("machine_id", day.alias("shift_date"), pl.col("cleaning_elements").alias("fitted"))
    dated = dated.sort("shift_date", maintain_order=True)
    ordered = rows.select("machine_id", "shift_date").with_row_index("at").sort("shift_date", maintain_order=True)
    joined = ordered.join_asof(dated, on="shift_date", by="machine_id", check_sortedness=False)
    return joined.sort("at")["fitted"]


def _contrast(fit: ResponseFit, has_part: Mask, has_other: Mask) -> Array:
    """Return the column of a part against another: its indicator less the machine's mean, 0 for other machines."""
    counted, machine = has_part | has_other, fit.machines
    size = int(machine.max()) + 1
    n = np.bincount(machine[counted], minlength=size)
    share = np.bincount(machine[has_part], minlength=size) / np.maximum(n, 1)
    return np.where(counted, has_part - share[machine], 0.0)


def part_effects(fit: ResponseFit, setups: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """Return `part_effect` rows: the change of the response with one part instead of another, on the same machines.

    The contrast is estimated at the fitted variances (score test), so that the machine's days and fields count with
    their own spread. Its interval uses Student's t with one degree of freedom fewer than machines that changed.

    Args:
        fit: the fit.
        setups: `machine_setup`.
        time_zone: time zone of the shifts.
    """
    fitted = parts_in_force(fit.rows, setups, time_zone).to_numpy()
    parts = sorted({p for p in fitted if p is not None})
    rows = [
        row
        for i, part in enumerate(parts)
        for other in parts[i + 1 :]
        if (row := _compared(fit, fitted, part, other)) is not None
    ]
    return pl.DataFrame(rows, schema=PART_SCHEMA)


def _compared(fit: ResponseFit, fitted: NDArray[np.object_], part: str, other: str) -> dict[str, object] | None:
    """Return the comparison of two parts; None if no machine ran with both."""
    has_part, has_other = (np.asarray(fitted == p, dtype=bool) for p in (part, other))
    both = np.intersect1d(fit.machines[has_part], fit.machines[has_other])
    if not both.size:
        return None
    own = np.isin(fit.machines, both)
    wetness = fit.rows["topsoil_wetness"].to_numpy()
    row: dict[str, object] = {
        "response": fit.response,
        "part": part,
        "compared_with": other,
        "machines": int(both.size),
        "n": int((own & (has_part | has_other)).sum()),
        "wetness_gap": float(wetness[own & has_part].mean() - wetness[own & has_other].mean()),
    }
    tested = score_test(fit, _contrast(fit, has_part, has_other)[:, None])
    if both.size < MIN_MACHINES or not tested.df:
        return {**row, **reason("part_one_machine").columns}
    (estimate, error), half = tested.each[0], float(t.ppf(0.975, both.size - 1))
    return {
        **row,
        "change_pct": percent(estimate),
        "lo95": percent(estimate - half * error),
        "hi95": percent(estimate + half * error),
        **reason("part_confounded").columns,
    }
