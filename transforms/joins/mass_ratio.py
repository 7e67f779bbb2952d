"""Mass weighed at the factories over mass lifted according to logs and field lists, and the cause of a wrong ratio.

The ratio of a field is its weighed mass over area worked times expected yield. Its median over fields is near 1. If
one site, one mapping of logs or one field list deviates from the others, its unit is wrong; if all do, weights or
yields are.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.contracts.reason import Reason, reason
from transforms.joins.join_finding import JoinFinding
from transforms.joins.join_frames import JoinFrames, Paths
from transforms.joins.unit_factors import AREA_MASS, DECIMAL, MASS, WORK, Misread, recognise

MIN_FIELDS = 3
"""Minimum number of fields of a median."""
MIN_RATIO, MAX_RATIO = 0.68, 1.35
"""Yields of field lists are expectations; the median of fields differs less (common practice, no source)."""
MIN_DIFFERENCE = 1.25
"""Ratio of the medians of two groups beyond which the group, not the season, deviates (common practice, no source)."""
MAIN_SHARE = 0.8
"""A field belongs to the site or mapping that has at least this share of it."""
TRUCK_T = (10.0, 20.0)
"""Unladen mass of a truck with its trailer, t (common practice, no source)."""
MIN_WITH_TRUCK_T = 30.0
"""Loads with their truck are heavier than this (common practice, no source)."""
FINE_TOLERANCE, MAX_FINE_SE, MIN_FINE_Z = 0.02, 0.02, 4.0
"""Precision for a factor as small as that of short tons: tolerance, standard error of the difference and its ratio."""
MIN_LOADS, LOADS_T, TYPICAL_LOAD_T, LOAD_TOLERANCE = 5, (6.0, 38.0), 25.0, 0.5
"""Loads of a median, its plausible range without the truck, and a typical load, t (common practice, no source)."""
SEASON_TOLERANCE = 0.18
"""Tolerance of a factor of the whole season, whose yields are only expected (common practice, no source)."""
MAX_LOAD_T = 45.0
"""Net loads above this are not hauled by road (common practice, no source)."""


MAX_COVERED, MAX_GAP_LOG = 0.8, 0.3
"""Logs with records for less of their time than this may explain a ratio, if they do so within this log difference."""


@dataclass(frozen=True)
class _Group:
    """Fields of one site, mapping of logs or field list.

    Attributes:
        kind: `site`, `log` or `list`; `all` for the whole season.
        name: the site or mapping.
        ratio: its median ratio, relative to the other groups unless `kind` is `all`.
        fields: number of fields.
    """

    kind: str
    name: str
    ratio: float
    fields: int


def weighed_over_lifted(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding if the weighed mass does not fit the lifted mass, for a group of fields or the whole season.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        One finding with the median ratio, t per t; without one, those on the usual load of sites.
    """
    rows = _fields(frames)
    is_enough = rows.height >= MIN_FIELDS
    group = _deviating(rows) or _deviating_by_short_tons(rows) or _season(rows) if is_enough else None
    if group is None:
        yield from _usual_loads(frames, paths)
        return
    delivered_t = _usual_load(frames.loads, group)
    why = _cause(group, delivered_t, _covered(frames, group))
    args = {"n": group.fields, "ratio": group.ratio, "delivered_t": delivered_t}
    match group.kind:
        case "site":
            says = reason("weighed_over_lifted_of_site", site_id=group.name, **args)
        case "log":
            says = reason("weighed_over_lifted_of_logs", mapping=group.name, **args)
        case "list":
            says = reason("weighed_over_lifted_of_list", mapping=group.name, **args)
        case _:
            says = reason("weighed_over_lifted", **args)
    remedy = _remedy(group, why.code, frames, paths)
    yield JoinFinding(group.name, group.fields, rows.height, says, why, remedy, group.ratio)


def _usual_loads(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each site whose usual load no truck has; it needs no logs."""
    for (site,), loads in frames.loads.partition_by("site_id", as_dict=True, maintain_order=True).items():
        delivered_t = float(loads.select(pl.col("delivered_t").median()).item())
        if loads.height < MIN_LOADS or LOADS_T[0] <= delivered_t <= LOADS_T[1]:
            continue
        if delivered_t > LOADS_T[1]:
            why = reason("truck_in_weight_unknown")
        else:
            found = recognise(delivered_t / TYPICAL_LOAD_T, MASS, LOAD_TOLERANCE) or recognise(
                delivered_t / TYPICAL_LOAD_T, DECIMAL, LOAD_TOLERANCE
            )
            why = found.why if found else reason("column_or_unit_wrong")
        says = reason("usual_load_implausible", n=loads.height, site_id=site, delivered_t=delivered_t)
        remedy = _remedy(_Group("site", str(site), 1.0, 0), why.code, frames, paths)
        yield JoinFinding(str(site), loads.height, loads.height, says, why, remedy, delivered_t / TYPICAL_LOAD_T)


def _fields(frames: JoinFrames) -> pl.DataFrame:
    """Return per field `ratio`, and its main `site`, mapping of logs (`log`) and field list (`list`)."""
    balance = frames.balance.group_by("field_id", maintain_order=True).agg(pl.col("weighed_t", "lifted_t").sum())
    balance = balance.filter(pl.col("weighed_t") > 0, pl.col("lifted_t") > 0)
    logs = frames.logged.group_by("machine_id", maintain_order=True).agg(pl.col("mapping").min().alias("log"))
    by_machine = frames.balance.filter(pl.col("lifted_t") > 0).join(logs, on="machine_id")
    lists = frames.fields.select("field_id", pl.col("mapping").alias("list"))
    return (
        balance.join(_main(frames.loads.rename({"site_id": "site"}), "site", "delivered_t"), on="field_id", how="left")
        .join(_main(by_machine, "log", "lifted_t"), on="field_id", how="left")
        .join(lists, on="field_id", how="left")
        .with_columns((pl.col("weighed_t") / pl.col("lifted_t")).alias("ratio"))
        .sort("field_id")
    )


def _main(rows: pl.DataFrame, column: str, mass: str) -> pl.DataFrame:
    """Return per field the value of a column that has most of its mass; null if it has no such main value."""
    summed = rows.group_by("field_id", column, maintain_order=True).agg(pl.col(mass).sum().alias("mass"))
    share = pl.col("mass") / pl.col("mass").sum().over("field_id")
    return summed.filter(share >= MAIN_SHARE).select("field_id", column)


def _deviating(rows: pl.DataFrame) -> _Group | None:
    """Return the group that deviates most from the other groups of its kind; None if none clearly does."""
    return max(
        (g for kind in ("site", "log", "list") for g in _relative(rows, kind) if _is_off(g.ratio, MIN_DIFFERENCE)),
        key=lambda g: abs(math.log(g.ratio)),
        default=None,
    )


def _relative(rows: pl.DataFrame, kind: str) -> list[_Group]:
    """Return the groups of a kind with their median relative to the others, the one farther from 1 of each pair."""
    known = rows.drop_nulls(kind)
    medians = (
        known.group_by(kind, maintain_order=True).agg(pl.col("ratio").median(), pl.len().alias("fields")).sort(kind)
    )
    out = []
    for name, ratio, fields in medians.filter(pl.col("fields") >= MIN_FIELDS).iter_rows():
        others = known.filter(pl.col(kind) != name)
        if others.height < MIN_FIELDS:
            continue
        rest = others.select(pl.col("ratio").median()).item()
        if abs(math.log(ratio)) >= abs(math.log(rest)):
            out.append(_Group(kind, name, ratio / rest, fields))
    return out


def _is_off(ratio: float, factor: float) -> bool:
    return not 1 / factor <= ratio <= factor


def _deviating_by_short_tons(rows: pl.DataFrame) -> _Group | None:
    """Return the site that deviates precisely by the factor of short tons."""
    short_ton = tuple(m for m in MASS if "short_ton" in {m.unit, m.taken_for})
    for group in _relative(rows, "site"):
        logs = [
            rows.filter(own).select(pl.col("ratio").log()).to_series()
            for own in (pl.col("site") == group.name, pl.col("site") != group.name)
        ]
        spread = [1.4826 * float(np.median(np.abs(s.to_numpy() - np.median(s.to_numpy())))) for s in logs]
        se = 1.2533 * math.hypot(*(sd / math.sqrt(s.len()) for sd, s in zip(spread, logs, strict=True)))
        is_clear = se <= MAX_FINE_SE and abs(math.log(group.ratio)) >= MIN_FINE_Z * se
        if is_clear and recognise(group.ratio, short_ton, FINE_TOLERANCE):
            return group
    return None


def _season(rows: pl.DataFrame) -> _Group | None:
    ratio = rows.select(pl.col("ratio").median()).item()
    return None if MIN_RATIO <= ratio <= MAX_RATIO else _Group("all", "", ratio, rows.height)


def _usual_load(loads: pl.DataFrame, group: _Group) -> float:
    own = loads.filter(pl.col("site_id") == group.name) if group.kind == "site" else loads
    return float(own.select(pl.col("delivered_t").median()).item())


def _covered(frames: JoinFrames, group: _Group) -> float | None:
    """Return the median share of time that the logs cover, in the group; None if it is not known."""
    own = frames.logged.filter(pl.col("mapping") == group.name) if group.kind == "log" else frames.logged
    covered = own.select(pl.col("covered").median()).item()
    return None if covered is None else float(covered)


def _cause(group: _Group, delivered_t: float, covered: float | None) -> Reason:
    """Return the likely cause of a ratio as a reason."""
    excess_t = delivered_t * (1 - 1 / group.ratio)
    if group.kind in {"site", "all"} and TRUCK_T[0] <= excess_t <= TRUCK_T[1] and delivered_t >= MIN_WITH_TRUCK_T:
        return reason("truck_in_weight", excess_t=excess_t)
    is_gap = covered is not None and covered < MAX_COVERED and abs(math.log(group.ratio * covered)) < MAX_GAP_LOG
    if group.kind in {"log", "all"} and is_gap:
        return reason("logs_with_gaps", pct=100 * (covered or 0.0))
    found: Misread | None
    match group.kind:
        case "site":
            found = recognise(group.ratio, MASS) or recognise(group.ratio, DECIMAL)
        case "log":
            found = recognise(1 / group.ratio, WORK)
        case "list":
            found = recognise(1 / group.ratio, AREA_MASS) or recognise(1 / group.ratio, DECIMAL)
        case _:
            of_weights = recognise(group.ratio, MASS, SEASON_TOLERANCE)
            of_yields = recognise(1 / group.ratio, AREA_MASS, SEASON_TOLERANCE)
            is_of_weights = of_yields is None or delivered_t > MAX_LOAD_T or delivered_t < 1
            found = (
                of_weights
                if of_weights and is_of_weights
                else of_yields or recognise(1 / group.ratio, WORK, SEASON_TOLERANCE)
            )
    return found.why if found else reason("weights_or_yields_wrong")


def _remedy(group: _Group, cause: str, frames: JoinFrames, paths: Paths) -> Reason:
    """Return the mapping file and key to edit."""
    where = {"folder": paths.folder}
    if cause == "logs_with_gaps":
        return reason("send_denser_logs", **where)
    if group.kind == "log":
        return reason("correct_log_units", mapping=group.name, **where)
    if group.kind == "list":
        return reason("correct_unit", mapping=group.name, column_key="yield_t_ha", **where)
    own = frames.loads.filter(pl.col("site_id") == group.name) if group.kind == "site" else frames.loads
    tickets = str(own["mapping"].mode().sort()[0])
    if cause in {"truck_in_weight", "truck_in_weight_unknown"}:
        return reason("choose_mass_without_truck", mapping=tickets, column_key="delivered_t", **where)
    if group.kind == "site":
        return reason("correct_unit", mapping=tickets, column_key="delivered_t", **where)
    fields = str(frames.fields["mapping"][0])
    return reason("correct_weights_or_yields", mapping=tickets, column_key="delivered_t", other=fields, **where)
