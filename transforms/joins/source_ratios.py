"""Figures of one kind from two sources: stated root losses and plots, settings of logs, yields of field lists."""

import math
from collections.abc import Iterator

import polars as pl

from transforms.contracts.reason import reason
from transforms.joins.join_finding import JoinFinding
from transforms.joins.join_frames import JoinFrames, Paths
from transforms.joins.unit_factors import AREA_MASS, DECIMAL, LENGTH, recognise
from transforms.model.audit_plot import with_inputs
from transforms.model.root_loss import root_loss

MIN_AUDITS, MAX_LOSS_RATIO = 3, 1.8
"""Audits of a median, and its largest plausible ratio: plots are small, stated losses are rounded (no source)."""
STATED = ("tip_loss_t_ha", "whole_root_loss_t_ha", "root_loss_t_ha")
MIN_LOADS = 5
"""Minimum number of traced loads of a machine for the median of its setting."""
DEPTHS_CM = (3.6, 12.0)
"""Share depths that need no comparison with other logs (common practice, no source)."""
INCH_DEPTHS = (1.8, 2.9)
"""Share depths that are plausible in inches only, if all logs have them (common practice, no source)."""
DEPTH_TOLERANCE = 0.3
"""Relative tolerance of a factor between depths: two machines may run a third apart (common practice, no source).

Factors between units of length are further apart than that, and only depths that no machine runs are compared.
"""
YIELD_TOLERANCE = 0.15
"""Relative tolerance of a factor between median yields of field lists (common practice, no source)."""
MIN_LIST_FIELDS, YIELDS_T_HA = 3, (30.0, 140.0)
"""Fields of a median, and the range of plausible medians of a field list, t/ha (common practice, no source)."""


def stated_losses(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each mapping of audits whose stated root loss differs from that of its plots.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        A finding per mapping, with the median of stated over measured loss.
    """
    rows = with_inputs(frames.audits)
    if not rows.height:
        return
    measured = root_loss(rows.with_columns(pl.lit(None, dtype=pl.Float64).alias(c) for c in STATED))
    compared = rows.select(
        "mapping", pl.col("root_loss_t_ha").alias("stated"), measured["root_loss_t_ha"].alias("measured")
    ).filter(pl.col("stated") > 0, pl.col("measured") > 0)
    for (mapping,), audits in compared.partition_by("mapping", as_dict=True, maintain_order=True).items():
        medians = audits.select(
            (pl.col("stated") / pl.col("measured")).median().alias("ratio"), pl.col("stated", "measured").median()
        ).row(0, named=True)
        ratio = medians["ratio"]
        if audits.height < MIN_AUDITS or abs(math.log(ratio)) < math.log(MAX_LOSS_RATIO):
            continue
        found = recognise(ratio, AREA_MASS) or recognise(ratio, DECIMAL)
        args = {"stated_t_ha": medians["stated"], "measured_t_ha": medians["measured"]}
        says = reason("stated_losses_differ", n=audits.height, mapping=mapping, **args)
        where = {"mapping": mapping, "column_key": "root_loss_t_ha", "folder": paths.folder}
        remedy = reason("correct_unit", **where) if found else reason("correct_column_or_unit", **where)
        why = found.why if found else reason("column_or_unit_wrong")
        yield JoinFinding(str(mapping), audits.height, audits.height, says, why, remedy, ratio)


def setting_units(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each mapping of logs whose share depth differs from that of the others by a unit.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        A finding per mapping, with its median depth over that of the others, if there are others.
    """
    if "share_depth_cm" not in frames.settings.columns:
        return
    medians = (
        frames.settings.drop_nulls(["machine_id", "share_depth_cm"])
        .group_by("machine_id", maintain_order=True)
        .agg(pl.col("share_depth_cm").median().alias("depth"), pl.len().alias("loads"))
        .filter(pl.col("loads") >= MIN_LOADS, pl.col("depth") > 0)
        .join(frames.logged.group_by("machine_id", maintain_order=True).agg(pl.col("mapping").min()), on="machine_id")
        .sort("machine_id")
    )
    for (mapping,), own in medians.partition_by("mapping", as_dict=True, maintain_order=True).items():
        others = medians.filter(pl.col("mapping") != mapping)
        depth = float(own.select(pl.col("depth").median()).item())
        usual = float(others.select(pl.col("depth").median()).item()) if others.height else None
        found = None
        if usual is not None and not DEPTHS_CM[0] <= depth <= DEPTHS_CM[1]:
            found = recognise(depth / usual, LENGTH, DEPTH_TOLERANCE)
        elif usual is None and INCH_DEPTHS[0] <= depth <= INCH_DEPTHS[1]:
            found = LENGTH[0]
        if found is None:
            continue
        says = reason("setting_by_unit", n=own.height, mapping=mapping, setting="share_depth_cm", value=depth)
        remedy = reason("correct_unit", mapping=mapping, column_key="share_depth_cm", folder=paths.folder)
        ratio = depth / usual if usual else None
        yield JoinFinding(str(mapping), own.height, medians.height, says, found.why, remedy, ratio)


def listed_yields(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each field list whose median yield is implausible, or differs by a unit from other lists.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        A finding per field list, with its median yield over that of a plausible list, if there is one.
    """
    lists = frames.fields.partition_by("mapping", as_dict=True, maintain_order=True)
    medians = {m: float(f.select(pl.col("yield_t_ha").median()).item()) for (m,), f in lists.items()}
    for (mapping,), fields in lists.items():
        own = medians[mapping]
        if fields.height < MIN_LIST_FIELDS or YIELDS_T_HA[0] <= own <= YIELDS_T_HA[1]:
            continue
        others = [y for m, y in medians.items() if m != mapping and YIELDS_T_HA[0] <= y <= YIELDS_T_HA[1]]
        usual = others[0] if others else None
        found = recognise(own / usual, AREA_MASS, YIELD_TOLERANCE) if usual else None
        says = reason("yields_implausible", n=fields.height, mapping=mapping, yield_t_ha=own)
        where = {"mapping": mapping, "column_key": "yield_t_ha", "folder": paths.folder}
        remedy = reason("correct_unit", **where) if found else reason("correct_column_or_unit", **where)
        why = found.why if found else reason("column_or_unit_wrong")
        yield JoinFinding(str(mapping), fields.height, fields.height, says, why, remedy, own / usual if usual else None)
