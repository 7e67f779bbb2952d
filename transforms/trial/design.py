"""Design of a trial: setting, machine, field, the two values and the number of loads."""

import datetime as dt
import hashlib
from typing import Any

import numpy as np
import polars as pl

from transforms.arrays import narrow
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Setting
from transforms.config.workspace import Season
from transforms.contracts.reason import Reason, reason
from transforms.contracts.similar_name import use_one_of
from transforms.errors import WorkspaceError
from transforms.trial.plan import Trial, draw_order
from transforms.trial.power import MAX_PAIRS, MIN_PAIRS, detectable_effect
from transforms.trial.size import TrialNoise, loads_per_day, required_days, trial_size

USUAL_DETECT_PCT = 5.0
TRIED = (0.02, 0.98)


def _advised(advice: pl.DataFrame, setting: str | None, machine: str | None, where: str) -> dict[str, Any]:
    """Return the advice row with the largest gain that suggests a trial, or a row of the setting and machine given."""
    rows = advice.filter(pl.col("verdict") == "try").sort("gain_per_t", descending=True, nulls_last=True)
    if setting is not None:
        rows = rows.filter(pl.col("setting") == setting)
    if machine is not None:
        rows = rows.filter(pl.col("machine_id") == machine)
    if rows.height:
        return rows.row(0, named=True)
    if setting is None or machine is None:
        raise WorkspaceError(
            "no advice calls for such a trial", where=where, remedy="give --setting, --machine and --to"
        )
    return {"setting": setting, "machine_id": machine, "field_id": None, "to_value": None, "dirt_change_pct": None}


def _values(facts: pl.DataFrame, found: dict[str, Any], requested: float | None, season: Season) -> tuple[float, float]:
    """Return the current value of the setting and the value to try, which the fleet has tried before."""
    name, where = found["setting"], "trial plan"
    if name not in season.catalogue or name not in facts.columns:
        raise WorkspaceError(
            "the setting '{name}' is unknown or was never logged", where=where, remedy="use a logged setting", name=name
        )
    setting = season.catalogue[name]
    own_rows = facts.filter(pl.col("machine_id") == found["machine_id"]).drop_nulls(name).sort("lifted_at")
    if not own_rows.height:
        known = facts.drop_nulls(name)["machine_id"].unique().sort().to_list()
        raise WorkspaceError(
            "{machine} has no load with a known value of '{name}'",
            where=where,
            remedy="{hint}",
            machine=found["machine_id"],
            name=setting.name,
            hint=use_one_of(found["machine_id"], known),
        )
    last = own_rows.filter(pl.col("shift_date") == pl.col("shift_date").max())
    if setting.is_flag:
        return _states(float(last[name].mean()), setting, requested)
    current = round(float(last[name].mean()) / setting.step * 2) * setting.step / 2
    low, high = (float(facts[name].quantile(q)) for q in TRIED)
    proposed = requested if requested is not None else found["to_value"]
    if proposed is None:
        proposed = current + setting.step if current + setting.step <= high else current - setting.step
    proposed = round(float(proposed) / setting.step * 2) * setting.step / 2
    if not low <= proposed <= high or proposed == current:
        raise WorkspaceError(
            "{proposed:g} {unit} is not inside what this fleet has tried ({low:.3g} to {high:.3g}), or it is the "
            "current value",
            where=where,
            remedy="give another value with --to",
            proposed=proposed,
            unit=setting.unit,
            low=low,
            high=high,
        )
    return current, proposed


def _states(mean: float, setting: Setting, requested: float | None) -> tuple[float, float]:
    """Return the current state of a flag, in which it was for most of the last shift, and the other one.

    The other state needs no load of the fleet: it is built into the machine, unlike a number outside what was tried.
    """
    on, off = float(setting.high), float(setting.low)
    current, other = (on, off) if mean >= (on + off) / 2 else (off, on)
    if requested is not None and requested != other:
        raise WorkspaceError(
            "'{name}' is in this state now",
            where="--to",
            remedy="leave --to out: the trial compares both states",
            name=setting.name,
        )
    return current, other


def design_trial(
    asked: dict[str, Any],
    facts: pl.DataFrame,
    advice: pl.DataFrame,
    fit_run: pl.DataFrame,
    season: Season,
    taken: list[str],
    where: str,
) -> Trial:
    """Return the trial requested.

    Args:
        asked: setting, machine, field, to, day, detect_pct; None to take a value from the advice or the data.
        facts: `load_fact`.
        advice: `advice`; its "try" rows suggest trials.
        fit_run: `fit_run`, for the residual standard deviation within visits.
        season: the season.
        taken: names of existing trials.
        where: the workspace, for messages.

    Raises:
        WorkspaceError: no advice calls for a trial, the setting is unknown or was never logged, the machine has no load
            with it, the value was never tried or is the current one, dirt is not fitted yet, too many pairs would be
            needed, or the day is not a date.
    """
    basis = _advised(advice, asked["setting"], asked["machine"], where)
    fitted = fit_run.filter(pl.col("response") == DIRT)
    if not fitted.height:
        raise WorkspaceError(
            "dirt is not fitted yet", where=where, remedy="run 'taretrace fit {folder}' first", folder=where
        )
    values = _values(facts, basis, asked["to"], season)
    noise = TrialNoise(float(fitted["residual_sd"][0]), season.lab_cv_at_25_kg)
    detect = float(asked["detect_pct"] or abs(basis["dirt_change_pct"] or USUAL_DETECT_PCT))
    pairs = trial_size(facts, basis["machine_id"], detect, noise, season.trial_power).pairs
    if pairs is None:
        raise WorkspaceError(
            "more than {pairs} pairs of loads would be needed to find {change:.1f} %",
            where=where,
            remedy="ask for a larger change with --detect-pct or a larger step with --to",
            pairs=MAX_PAIRS,
            change=detect,
        )
    own_rows = facts.filter(pl.col("machine_id") == basis["machine_id"]).sort("lifted_at")
    field_id = asked["field"] or basis["field_id"] or str(own_rows["field_id"][-1])
    day = first_day(asked["day"], facts)
    name = next(n for i in range(1, 10_000) if (n := f"T{i:03d}") not in taken)
    seed = int(hashlib.sha256(f"{name}|{basis['machine_id']}|{field_id}|{day}".encode()).hexdigest()[:8], 16)
    return Trial(
        name,
        basis["machine_id"],
        field_id,
        day,
        basis["setting"],
        values,
        draw_order(pairs, seed),
        detect,
        season.trial_power,
        noise.pair_sd(facts),
    )


def first_day(text: str | None, facts: pl.DataFrame) -> dt.date:
    """Return the date given, or the day after the last shift.

    Args:
        text: the date as YYYY-MM-DD; None for the day after the last shift.
        facts: `load_fact`.

    Raises:
        WorkspaceError: the text is not a date.
    """
    if text is None:
        return narrow(facts["shift_date"].max(), dt.date) + dt.timedelta(days=1)
    try:
        return dt.date.fromisoformat(text)
    except ValueError as problem:
        raise WorkspaceError(
            "'{day}' is not a date", where="--day", remedy="write it as YYYY-MM-DD", day=text
        ) from problem


def describe_trial_days(trial: Trial, facts: pl.DataFrame, *, is_flag: bool = False) -> Reason:
    """Return the days that a trial takes and the smallest change that one day's loads would detect, as a reason.

    Args:
        trial: the trial.
        facts: `load_fact`, for the machine's loads per day.
        is_flag: True if the setting is a flag, which has no larger step.
    """
    loads = loads_per_day(facts, trial.machine_id)
    pairs, days = int(loads // 2), required_days(len(trial.order), facts, trial.machine_id)
    if days <= 1 or pairs < MIN_PAIRS:
        return reason("trial_within_a_day", loads=loads)
    detectable_pct = 100 * float(np.expm1(detectable_effect(pairs, trial.pair_sd, trial.power)))
    if is_flag:
        return reason("trial_flag_over_days", loads=loads, days=days, detectable_pct=detectable_pct)
    return reason("trial_over_days", loads=loads, days=days, detectable_pct=detectable_pct)
