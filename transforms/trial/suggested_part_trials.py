"""Part trials that would settle comparisons of fitted parts between days as they came."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.advice.part_evidence import Change, FleetParts, Row, possible_changes
from transforms.config.response_catalogue import DIRT
from transforms.model.fitted_parts import PLACES
from transforms.trial.part_size import DayNoise, days_of_each, part_trial_size
from transforms.trial.suggested_trials import UNTRIED_SD, WANTED_SCHEMA, TrialPrices
from transforms.trial.value import preposterior_sd, value_of_information

PART_SD = 2 * UNTRIED_SD
"""Standard deviation of the log change of dirt by a part before any comparison: parts seldom change it by more than a
fifth (assumption)."""
UNIT = "part"


@dataclass(frozen=True)
class _Question:
    """An open comparison of two parts: the machines that would run the trial, and the row of `part_effect`."""

    change: Change
    machines: list[str]
    row: Row


def suggest_part_trials(
    fleet: FleetParts, facts: pl.DataFrame, noise: DayNoise, power: float, money: TrialPrices
) -> pl.DataFrame:
    """Return `trial_wanted` rows: for each open comparison of parts, the trial that would settle it.

    A comparison is open unless its pairs of days were drawn by lot. Each wetness class in which machines ran with both
    parts has a trial of its own; without such a class, the trial is on all days. The machines are those that have the
    same one of the two parts now: of the two, the part that more machines have.

    Args:
        fleet: machine list and `part_effect`.
        facts: `load_id, machine_id, field_id, shift_date, wetness_class, sample_kg, dirt_tare_pct` of all loads.
        noise: noise of a machine's day.
        power: probability of detecting the change, 0 to 1.
        money: prices and sizes.
    """
    pair_sd, fleet_size = noise.pair_sd(facts), facts["machine_id"].drop_nulls().n_unique()
    rows = []
    for question in _open_questions(fleet, facts):
        size = part_trial_size(question.row["change_pct"], pair_sd, power, money.prices.parts_change)
        row = {**_columns(question), "detect_pct": size.detect_pct, "pairs": size.pairs, "workshop_cost": size.cost}
        if size.pairs is not None and size.cost is not None:
            share = len(question.machines) / fleet_size
            row["worth"] = _value(question, pair_sd**2 / size.pairs, share, money) - size.cost
            row["machine_days"] = float(days_of_each(size.pairs, len(question.machines)))
        rows.append(row)
    return pl.DataFrame(rows, schema=WANTED_SCHEMA)


def _columns(question: _Question) -> Row:
    """Return the columns of a question without the size of its trial."""
    change, row = question.change, question.row
    ends = (row["lo95"], row["change_pct"], row["hi95"])
    if row["part"] != change.part and row["change_pct"] is not None:
        ends = tuple(100 * (1 / (1 + v / 100) - 1) for v in reversed(ends))
    return {
        "setting": PLACES[change.place],
        "part_now": change.now,
        "part": change.part,
        **{name: row[name] for name in ("wetness_class", "reason_code", "reason_args", "n")},
        **dict(zip(("lo95", "change_pct", "hi95"), ends, strict=True)),
        "step": 1.0,
        "unit": UNIT,
        "machine_id": ", ".join(question.machines),
    }


def _open_questions(fleet: FleetParts, facts: pl.DataFrame) -> list[_Question]:
    """Return the open comparisons of parts that machines could change now."""
    last = facts.select(pl.col("shift_date").max()).item()
    machines: dict[Change, list[str]] = {}
    for machine in facts["machine_id"].drop_nulls().unique().sort():
        for change in possible_changes(fleet, machine, last):
            machines.setdefault(change, []).append(machine)
    of_dirt = fleet.effects.filter(pl.col("response") == DIRT)
    out = []
    for change, own in machines.items():
        back = machines.get(Change(change.place, change.part, change.now), [])
        if (len(back), back) > (len(own), own):
            continue
        first, second = sorted((change.now, change.part))
        compared = of_dirt.filter(place=change.place, part=first, compared_with=second)
        in_class = compared.filter(pl.col("wetness_class").is_not_null())
        rows = in_class if in_class.height else compared
        open_rows = rows.filter(pl.col("pairs").is_null()).iter_rows(named=True)
        out += [_Question(change, own, row) for row in open_rows]
    return out


def _value(question: _Question, error_variance: float, share: float, money: TrialPrices) -> float:
    """Return the value of knowing the effect of a part for the season, in its currency.

    The comparison is believed as far as its interval and what its days differ in allow, beside `PART_SD`.

    Args:
        question: the comparison.
        error_variance: error variance of the trial, log scale squared.
        share: share of the fleet's machines that could have the part.
        money: prices and sizes.
    """
    mean, variance = 0.0, PART_SD**2
    if question.row["change_pct"] is not None:
        estimate, error = question.change.log_change(question.row)
        weight = PART_SD**2 / (PART_SD**2 + error**2 + UNTRIED_SD**2)
        mean, variance = weight * estimate, PART_SD**2 * (1 - weight)
    sd = preposterior_sd(float(np.sqrt(variance)), error_variance)
    per_t = value_of_information(money.per_log * mean, abs(money.per_log) * sd)
    tonnes, wetness = money.scale.tonnes, question.row["wetness_class"]
    own = sum(tonnes.values()) if wetness is None else tonnes.get(wetness, 0.0)
    return per_t * own * share * money.scale.uptake
