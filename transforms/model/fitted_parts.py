"""Effect of fitted parts, such as bars or tines on the cleaners: contrasts between the days of one machine.

Parts are changed in the workshop, never within a visit, so they can only be compared between visits of a machine before
and after a change. What else differed between these days (weather, crop, the operator's other choices) is in the
comparison as far as the model does not explain it. So it is reported as confounded, whatever its interval, and a trial
with both parts at the same time would settle it. A comparison of wet days with drier ones says so besides.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import t

from transforms.arrays import Mask
from transforms.contracts.classes import WETNESS_CLASSES
from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of
from transforms.model.checks.score import score_test
from transforms.model.effects import classes_of, percent
from transforms.model.fit_result import ResponseFit

PART_SCHEMA = schema_of("part_effect")
MIN_MACHINES = 2
"""Minimum number of machines that changed between two parts: one machine's two halves of a season say nothing."""
LARGE_GAP = 0.10
"""A larger difference of mean topsoil wetness between the days with two parts confounds them with wet weather (common
practice, no source)."""
PLACES = {
    "cleaning": "cleaning_elements",
    "cleaner_1": "cleaner_1_elements",
    "cleaner_2": "cleaner_2_elements",
    "cleaner_3": "cleaner_3_elements",
    "cleaner_4": "cleaner_4_elements",
}
"""Place of a part, all cleaning stages or one of them -> its column in the machine list."""


def parts_in_force(
    rows: pl.DataFrame, setups: pl.DataFrame, time_zone: str, column: str = "cleaning_elements"
) -> pl.Series:
    """Return the parts fitted on each row's shift date; null before the first entry of a machine.

    Args:
        rows: facts with `machine_id` and `shift_date`.
        setups: `machine_setup`, with `machine_id`, `valid_from_at` and the column of the parts.
        time_zone: time zone of the shifts; parts count from the day on which they were fitted.
        column: column of the parts, one of `PLACES`.
    """
    day = pl.col("valid_from_at").dt.convert_time_zone(time_zone).dt.date()
    dated = setups.select("machine_id", day.alias("shift_date"), pl.col(column).alias("fitted"))
    dated = dated.sort("shift_date", maintain_order=True)
    ordered = rows.select("machine_id", "shift_date").with_row_index("at").sort("shift_date", maintain_order=True)
    joined = ordered.join_asof(dated, on="shift_date", by="machine_id", check_sortedness=False)
    return joined.sort("at")["fitted"]


def part_effects(fit: ResponseFit, setups: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """Return `part_effect` rows: the change of the response with one part instead of another, on the same machines.

    It is estimated at the fitted variances (score test), together with the machines' levels on the days compared, so
    that the machine's days and fields count with their own spread. Its interval uses Student's t with one degree of
    freedom fewer than machines that changed.

    Args:
        fit: the fit.
        setups: `machine_setup`.
        time_zone: time zone of the shifts.

    Returns:
        One row per place, pair of parts and wetness class in which a machine ran with both; null class for all days.
    """
    rows = [
        {"response": fit.response, "place": place, **row}
        for place, column in PLACES.items()
        if column in setups.columns
        for row in _compared_parts(fit, parts_in_force(fit.rows, setups, time_zone, column).to_numpy())
    ]
    return pl.DataFrame(rows, schema=PART_SCHEMA)


def _compared_parts(fit: ResponseFit, fitted: NDArray[np.object_]) -> Iterator[dict[str, object]]:
    """Yield the comparisons of all pairs of parts, on all days and in each wetness class."""
    wetness = classes_of(fit.rows)["wetness_class"].to_numpy()
    by_class: dict[str | None, Mask] = {w: np.asarray(wetness == w) for w in WETNESS_CLASSES}
    for part, other in combinations(sorted({p for p in fitted if p is not None}), 2):
        has_part, has_other = (np.asarray(fitted == p, dtype=bool) for p in (part, other))
        head = {"part": part, "compared_with": other}
        all_days: dict[str | None, Mask] = {None: np.ones(fitted.size, dtype=bool)}
        for classes in (all_days, by_class):
            yield from ({**head, **row} for row in _compared(fit, has_part, has_other, classes))


def _compared(
    fit: ResponseFit, has_part: Mask, has_other: Mask, classes: Mapping[str | None, Mask]
) -> Iterator[dict[str, object]]:
    """Yield the comparison of two parts in each class in which a machine ran with both, estimated together.

    A machine's own level on the days of a class is estimated freely, so that only differences within machines count,
    and an effect in one class does not show in another through the curves of wetness.
    """
    compared = {c: _Compared.of(fit, has_part & inside, has_other & inside) for c, inside in classes.items()}
    known = {c: x for c, x in compared.items() if x.machines}
    enough = [c for c, x in known.items() if x.machines >= MIN_MACHINES]
    columns = [known[c].has_part for c in enough] + [level for c in known.values() for level in c.levels]
    tested = score_test(fit, np.column_stack(columns).astype(np.float64)) if enough else None
    for c, x in known.items():
        row = {"wetness_class": c, "machines": x.machines, "n": x.n, "wetness_gap": x.gap}
        if tested is None or c not in enough:
            yield {**row, **reason("part_one_machine").columns}
            continue
        (estimate, error), half = tested.each[enough.index(c)], float(t.ppf(0.975, x.machines - 1))
        is_wetter = abs(x.gap) > LARGE_GAP
        why = reason("part_confounded_wetness", gap=x.gap) if is_wetter else reason("part_confounded")
        yield {
            **row,
            "change_pct": percent(estimate),
            "lo95": percent(estimate - half * error),
            "hi95": percent(estimate + half * error),
            **why.columns,
        }


@dataclass(frozen=True)
class _Compared:
    """Rows of the machines that ran with both parts: their columns, number and mean difference of wetness.

    Attributes:
        has_part: rows with the first part, shape (n,).
        levels: rows of each machine with either part, each of shape (n,).
        machines: number of machines.
        n: number of rows.
        gap: mean topsoil wetness with the first part less that with the other.
    """

    has_part: Mask
    levels: list[Mask]
    machines: int
    n: int
    gap: float

    @classmethod
    def of(cls, fit: ResponseFit, has_part: Mask, has_other: Mask) -> "_Compared":
        """Return the comparison of the rows with two parts."""
        both = np.intersect1d(fit.machines[has_part], fit.machines[has_other])
        own = np.isin(fit.machines, both)
        first, counted = own & has_part, own & (has_part | has_other)
        if not both.size:
            return cls(first, [], 0, 0, 0.0)
        wetness = fit.rows["topsoil_wetness"].to_numpy()
        gap = float(wetness[first].mean() - wetness[own & has_other].mean())
        return cls(first, [(fit.machines == m) & counted for m in both], int(both.size), int(counted.sum()), gap)
