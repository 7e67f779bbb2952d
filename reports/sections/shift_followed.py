"""Section on the advice for the shift that has ended: how much of it was followed, and how much dirt followed."""

from dataclasses import dataclass

import polars as pl

from reports.language.display_units import number
from reports.language.translate import say, say_n
from reports.page.model import Prose, Section
from reports.sections.few_loads import loads_words


@dataclass(frozen=True)
class FollowedAdvice:
    """Outcome of the advice for one shift.

    Attributes:
        changes: changes advised to machines that worked.
        made: changes that were made, at least half way.
        machines: machines that made all their changes and have measured loads.
        loads: their measured loads.
        dirt_pct: their mean dirt, weighted by measured loads; None without such machines.
        advised_pct: mean dirt that the advice expected for them.
    """

    changes: int
    made: int
    machines: int
    loads: int
    dirt_pct: float | None
    advised_pct: float | None


def followed_advice(rows: pl.DataFrame) -> FollowedAdvice | None:
    """Return the outcome of the advice for a shift, from rows of `advice_followed`; None if there was none."""
    known = rows.drop_nulls("followed")
    if not known.height:
        return None
    by_machine = (
        rows.sort("machine_id", "move_number")
        .group_by("machine_id", maintain_order=True)
        .agg(
            pl.col("followed").fill_null(value=False).all(),
            pl.col("measured", "observed_pct", "advised_dirt_pct").last(),
        )
    )
    kept = by_machine.filter("followed").drop_nulls(["observed_pct", "advised_dirt_pct"])
    loads = int(kept["measured"].sum()) if kept.height else 0
    means = [float((kept[c] * kept["measured"]).sum()) / loads for c in ("observed_pct", "advised_dirt_pct") if loads]
    dirt, advised = means or (None, None)
    return FollowedAdvice(known.height, int(known["followed"].sum()), kept.height if loads else 0, loads, dirt, advised)


def followed_section(rows: pl.DataFrame) -> Section | None:
    """Return the section on the advice for the shift that has ended; None if there was none."""
    found = followed_advice(rows)
    if found is None:
        return None
    text = say_n(
        "{made} of {n} change was made.", "{made} of {n} changes were made.", found.changes, made=number(found.made, 0)
    )
    if found.dirt_pct is not None:
        text += " " + say_n(
            "Dirt on the {n} machine that made all: {dirt} % ({loads}); advised: {advised} %.",
            "Dirt on the {n} machines that made all: {dirt} % ({loads}); advised: {advised} %.",
            found.machines,
            dirt=number(found.dirt_pct),
            advised=number(found.advised_pct),
            loads=loads_words(found.loads),
        )
    return Section("followed", say("Yesterday's advice"), (Prose(text),))
