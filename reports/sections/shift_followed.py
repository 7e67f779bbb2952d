"""Section on the advice for the shift that has ended: how much of it was followed, and how much dirt followed."""

from dataclasses import dataclass

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.precision import money_range, plain_money
from reports.language.translate import say, say_n
from reports.language.uptake_words import otherwise_made_words
from reports.page.model import Prose, Section
from reports.sections.few_loads import loads_words
from reports.sections.outcome_answer import MARKED, outcome
from reports.sections.outcome_data import OutcomeData


@dataclass(frozen=True)
class FollowedAdvice:
    """Outcome of the advice for one shift.

    Attributes:
        changes: changes whose uptake is known.
        made: changes that were made in full.
        partly: changes that were made in part.
        opposite: changes that were made the other way.
        unknown: changes whose uptake is unknown.
        machines: machines that made all their changes and have measured loads.
        loads: their measured loads.
        dirt_pct: their mean dirt, weighted by measured loads; None without such machines.
        advised_pct: mean dirt that the advice expected for them.
    """

    changes: int
    made: int
    partly: int
    opposite: int
    unknown: int
    machines: int
    loads: int
    dirt_pct: float | None
    advised_pct: float | None


def followed_advice(rows: pl.DataFrame) -> FollowedAdvice | None:
    """Return the outcome of the advice for a shift, from rows of `advice_followed`; None if there was none."""
    if not rows.height:
        return None
    made, partly, opposite, unknown = (
        rows.filter(uptake_code=code).height for code in ("followed", "partly", "opposite", "unknown")
    )
    by_machine = (
        rows.sort("machine_id", "move_number")
        .group_by("machine_id", maintain_order=True)
        .agg(
            (pl.col("uptake_code") == "followed").all().alias("all_made"),
            pl.col("measured", "observed_pct", "advised_dirt_pct").last(),
        )
    )
    kept = by_machine.filter("all_made").drop_nulls(["observed_pct", "advised_dirt_pct"])
    loads = int(kept["measured"].sum()) if kept.height else 0
    means = [float((kept[c] * kept["measured"]).sum()) / loads for c in ("observed_pct", "advised_dirt_pct") if loads]
    dirt, advised = means or (None, None)
    known, machines = rows.height - unknown, kept.height if loads else 0
    return FollowedAdvice(known, made, partly, opposite, unknown, machines, loads, dirt, advised)


def saving_words(data: OutcomeData, shown: DisplayUnits) -> str:
    """Return the outcome of the season's advice in a sentence; without the saving if a warning on the page states it.

    Args:
        data: outcome of the advice of the season.
        shown: units of the page.
    """
    found = outcome(data)
    if found.made is None:
        return ""
    if found.code in MARKED:
        made, known = number(data.total["followed"], 0), number(data.known, 0)
        return say("Season: {made} of {all} made.", made=made, all=known)
    t = shown.per_tonne
    return say(
        "Season: {made} of {all} made; soil: promised {promised}, saved {saved} ({span}) {unit}, {shifts}.",
        made=number(data.total["followed"], 0),
        all=number(data.known, 0),
        promised=plain_money(found.made["promised_per_t"] * t),
        saved=plain_money(found.made["realised_per_t"] * t),
        span=money_range(found.made["lo95"] * t, found.made["hi95"] * t),
        unit=shown.money_per_t,
        shifts=say_n("{n} shift", "{n} shifts", found.made["shifts"]),
    )


def followed_section(rows: pl.DataFrame, data: OutcomeData, shown: DisplayUnits) -> Section | None:
    """Return the section on the advice for the shift that has ended; None if there was none."""
    found = followed_advice(rows)
    if found is None:
        return None
    texts = []
    if found.changes:
        made = number(found.made, 0)
        texts.append(say_n("{made} of {n} change made.", "{made} of {n} changes made.", found.changes, made=made))
    texts += otherwise_made_words(found.partly, found.opposite)
    if found.unknown:
        texts.append(
            say_n(
                "{n} change cannot be judged: no readings, another field or other conditions.",
                "{n} changes cannot be judged: no readings, another field or other conditions.",
                found.unknown,
            )
        )
    if found.dirt_pct is not None:
        texts.append(
            say_n(
                "On {n} machine that made all: dirt {dirt} % ({loads}), advised {advised} %.",
                "On {n} machines that made all: dirt {dirt} % ({loads}), advised {advised} %.",
                found.machines,
                dirt=number(found.dirt_pct),
                advised=number(found.advised_pct),
                loads=loads_words(found.loads),
            )
        )
    season = saving_words(data, shown)
    blocks = (Prose(" ".join(texts)), *((Prose(season),) if season else ()))
    return Section("followed", say("Yesterday's advice"), blocks)
