"""Design of a part trial: place, the two parts, machines, and the number of pairs of days."""

import datetime as dt
import hashlib
from dataclasses import dataclass

import polars as pl

from transforms.contracts.reason import Reason, reason
from transforms.contracts.similar_name import use_one_of
from transforms.errors import WorkspaceError
from transforms.model.fitted_parts import PLACES
from transforms.trial.part_plan import PartTrial
from transforms.trial.part_size import USUAL_PART_DETECT_PCT, DayNoise, days_of_each, part_trial_pairs
from transforms.trial.plan import draw_order
from transforms.trial.power import MAX_PAIRS


@dataclass(frozen=True)
class PartTrialAsked:
    """Request for a part trial; None means that the suggested trials or the data decide.

    Attributes:
        place: place of the parts.
        part: part on trial.
        machines: the machines; empty for those of the suggested trial.
        wetness_class: topsoil on whose days the trial runs; None for all days.
        day: first day.
        detect_pct: change of dirt to detect, percent.
    """

    place: str
    part: str | None
    machines: tuple[str, ...]
    wetness_class: str | None
    day: dt.date
    detect_pct: float | None


@dataclass(frozen=True)
class PartTrialBasis:
    """Data that a part trial is designed from.

    Attributes:
        facts: `load_fact`.
        wanted: `trial_wanted`.
        setups: `machine_setup`.
        noise: noise of a machine's day.
        power: probability of detecting the change, 0 to 1.
        zone: time zone of the season.
        taken: names of existing trials.
    """

    facts: pl.DataFrame
    wanted: pl.DataFrame
    setups: pl.DataFrame
    noise: DayNoise
    power: float
    zone: str
    taken: list[str]


def design_part_trial(asked: PartTrialAsked, basis: PartTrialBasis) -> PartTrial:
    """Return the part trial requested.

    Args:
        asked: the request.
        basis: the data.

    Raises:
        WorkspaceError: no suggested trial has the machines or the part, a machine or part is unknown, the machines have
            different parts now or already the one on trial, or too many pairs would be needed.
    """
    column, where = PLACES[asked.place], "trial plan"
    suggested = _suggested(asked, basis.wanted)
    machines = asked.machines or tuple(suggested.get("machine_id", "").split(", "))
    part = asked.part or suggested.get("part")
    if machines == ("",) or part is None:
        raise WorkspaceError("no suggested trial has these parts", where=where, remedy="give --machine and --to")
    fitted = _fitted_now(machines, column, asked.day, basis)
    known = basis.setups[column].drop_nulls().unique().sort().to_list()
    if part not in known or part == fitted:
        others = [p for p in known if p != fitted]
        raise WorkspaceError(
            "'{part}' is fitted now, or no machine list has it in this place",
            where="--to",
            remedy="{hint}",
            part=part,
            hint=use_one_of(part, others),
        )
    detect = float(asked.detect_pct or suggested.get("detect_pct") or USUAL_PART_DETECT_PCT)
    pair_sd = basis.noise.pair_sd(basis.facts)
    pairs = part_trial_pairs(detect, pair_sd, basis.power)
    if pairs is None:
        raise WorkspaceError(
            "more than {pairs} pairs of days would be needed to find {change:.1f} %",
            where=where,
            remedy="ask for a larger change with --detect-pct",
            pairs=MAX_PAIRS,
            change=detect,
        )
    name = next(n for i in range(1, 10_000) if (n := f"T{i:03d}") not in basis.taken)
    each = days_of_each(pairs, len(machines)) // 2
    orders = {m: draw_order(each, _seed(name, m, asked)) for m in machines}
    parts = (fitted, part)
    topsoil = asked.wetness_class
    return PartTrial(name, asked.place, parts, asked.day, topsoil, orders, detect, basis.power, pair_sd)


def _seed(name: str, machine_id: str, asked: PartTrialAsked) -> int:
    text = f"{name}|{machine_id}|{asked.place}|{asked.day}"
    return int(hashlib.sha256(text.encode()).hexdigest()[:8], 16)


def _suggested(asked: PartTrialAsked, wanted: pl.DataFrame) -> dict[str, str]:
    """Return the first suggested trial of the place, part and topsoil requested; empty if there is none."""
    rows = wanted.filter(pl.col("setting") == PLACES[asked.place])
    if asked.part is not None:
        rows = rows.filter(pl.col("part") == asked.part)
    if asked.wetness_class is not None:
        rows = rows.filter(pl.col("wetness_class") == asked.wetness_class)
    return rows.row(0, named=True) if rows.height else {}


def _fitted_now(machines: tuple[str, ...], column: str, day: dt.date, basis: PartTrialBasis) -> str:
    """Return the part that all machines have in a place on a day.

    Raises:
        WorkspaceError: a machine is unknown or has no part in the machine list, or the machines have different parts.
    """
    known = basis.facts["machine_id"].drop_nulls().unique().sort().to_list()
    local = pl.col("valid_from_at").dt.convert_time_zone(basis.zone).dt.date()
    listed = basis.setups.filter(local <= day).sort("valid_from_at")
    parts: dict[str, str | None] = {}
    for machine in machines:
        if machine not in known:
            raise WorkspaceError(
                "there is no machine '{machine}'",
                where="--machine",
                remedy="{hint}",
                machine=machine,
                hint=use_one_of(machine, known),
            )
        own = listed.filter(machine_id=machine)[column].drop_nulls()
        parts[machine] = str(own[-1]) if own.len() else None
    found = set(parts.values())
    fitted = found.pop()
    if found or fitted is None:
        raise WorkspaceError(
            "the machines have not one and the same part in this place now: {parts}",
            where="--machine",
            remedy="name machines with the same part, and enter what is fitted in the machine list",
            parts=", ".join(f"{m}: {p or '-'}" for m, p in parts.items()),
        )
    return fitted


def describe_part_trial(trial: PartTrial, change_cost: float) -> Reason:
    """Return the days, changes and workshop cost of a part trial, as a reason.

    Args:
        trial: the trial.
        change_cost: cost of a change in the workshop, in the season's currency.
    """
    return reason(
        "part_trial_size",
        pairs=trial.pairs,
        machines=len(trial.orders),
        days=trial.days,
        changes=trial.changes,
        cost=trial.changes * change_cost,
    )
