"""Reading of a part trial: identification of its days, and the difference between its parts in each response.

A day of a machine counts once, with the mean of its loads, because the lot was drawn by day. The part of the plan
counts, whatever was fitted (intention to treat); the machine list, if it records the changes, gives the reading by
fitted parts as the traced settings do in a trial of a setting. From dirt, the part explained by the conditions of each
load is subtracted: it would have been the same with the other part, so the lot that was drawn stays all that the
intervals assume (Rosenbaum 2002, Stat. Sci. 17:286-327, from memory).
"""

import polars as pl

from transforms.config.response_catalogue import DIRT
from transforms.model.fitted_parts import parts_in_force
from transforms.model.response_scale import ratio_scale
from transforms.trial.analysis import TRIAL_LOAD_SCHEMA, Arms, TrialEstimate, estimate, with_stopping
from transforms.trial.part_plan import PartTrial

PART_VALUES = (0.0, 1.0)
"""Value of the arms: 1 with the part on trial, 0 with the other."""
DAY = ("machine_id", "shift_date")


def find_part_days(trial: PartTrial, facts: pl.DataFrame) -> pl.DataFrame:
    """Return the days of a part trial: `machine_id, shift_date, position`.

    They are the dates recorded in its file or, for a machine without any, its first days from the trial's date on which
    most of its loads had the topsoil of the trial.

    Args:
        trial: the trial.
        facts: `machine_id, shift_date, wetness_class` of loads.
    """
    found = [_recorded(trial, m) if any(trial.dates.get(m, ())) else _first_days(trial, m, facts) for m in trial.orders]
    return pl.concat(found)


def _recorded(trial: PartTrial, machine_id: str) -> pl.DataFrame:
    """Return the days of a machine whose dates are recorded."""
    dates = trial.dates[machine_id][: len(trial.orders[machine_id])]
    days = pl.DataFrame({"machine_id": machine_id, "shift_date": dates, "position": range(len(dates))})
    known = days.filter(pl.col("shift_date") != "")
    return known.with_columns(pl.col("shift_date").str.to_date("%Y-%m-%d"), pl.col("position").cast(pl.Int64))


def _first_days(trial: PartTrial, machine_id: str, facts: pl.DataFrame) -> pl.DataFrame:
    """Return the first days of a machine from the trial's date on, with the trial's topsoil."""
    own = facts.filter((pl.col("machine_id") == machine_id) & (pl.col("shift_date") >= trial.shift_date))
    days = own.group_by("machine_id", "shift_date", maintain_order=True).agg(usual_class())
    if trial.wetness_class is not None:
        days = days.filter(wetness_class=trial.wetness_class)
    days = days.sort("shift_date").head(len(trial.orders[machine_id]))
    return days.with_row_index("position").select(*DAY, pl.col("position").cast(pl.Int64))


def usual_class() -> pl.Expr:
    """Return the wetness class of most loads of a group; of as many, the first by name; null if none is known."""
    return pl.col("wetness_class").drop_nulls().mode().sort().first()


def find_part_loads(trial: PartTrial, facts: pl.DataFrame, setups: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """Return the loads of a part trial with the arm for which their day was planned.

    Args:
        trial: the trial.
        facts: `load_id, machine_id, shift_date, wetness_class` of loads.
        setups: `machine_setup`.
        time_zone: time zone of the shifts.

    Returns:
        Rows with the columns of `TRIAL_LOAD_SCHEMA`; `position` is that of the day, and `traced_value` the part by the
        machine list, null for a machine whose list has not both parts in these days.
    """
    days = find_part_days(trial, facts)
    loads = facts.select("load_id", *DAY).join(days, on=list(DAY)).sort("machine_id", "position", "load_id")
    parts = dict(zip(trial.parts, PART_VALUES, strict=True))
    listed = parts_in_force(loads, setups, time_zone, trial.setting).replace_strict(
        parts, default=None, return_dtype=pl.Float64
    )
    loads = loads.with_columns(listed.alias("listed"))
    has_both = pl.col("listed").n_unique().over("machine_id") > 1
    units = list(loads.select("machine_id", "position").iter_rows())
    arms = [trial.orders[machine][i] for machine, i in units]
    blocks = [f"{trial.trial_id}/{machine}/{i // 2 + 1}" for machine, i in units]
    return pl.DataFrame(
        {
            "trial_id": [trial.trial_id] * loads.height,
            "load_id": loads["load_id"],
            "position": loads["position"],
            "trial_block": blocks,
            "arm": arms,
            "trial_setting": [trial.setting] * loads.height,
            "trial_value": [PART_VALUES[arm == "B"] for arm in arms],
            "traced_value": loads.select(pl.when(has_both).then("listed")).to_series(),
        },
        schema=TRIAL_LOAD_SCHEMA,
    )


def dirt_given_conditions(expected: pl.DataFrame) -> pl.DataFrame:
    """Return `response, load_id, z`: the dirt of each load on the log scale, less the part due to its conditions.

    Args:
        expected: `load_id, observed_pct, conditions_pct`, rows of `expected_load`.
    """
    observed, conditions = (ratio_scale(expected[c].to_numpy()) for c in ("observed_pct", "conditions_pct"))
    return expected.select(pl.lit(DIRT).alias("response"), "load_id", pl.Series("z", observed - conditions))


def days_of_loads(loads: pl.DataFrame) -> pl.DataFrame:
    """Return the days of the loads of part trials as units of `estimate`: mean z, and the fitted part by the list.

    Args:
        loads: `trial_block, arm, trial_value, traced_value, z` of loads.
    """
    unit = ["trial_block", "arm", "trial_value"]
    return loads.group_by(unit, maintain_order=True).agg(pl.col("z").mean(), pl.col("traced_value").mean())


def analyse_part_trial(trial: PartTrial, loads: pl.DataFrame, measured: pl.DataFrame) -> list[TrialEstimate]:
    """Return the difference of part B from part A in every response that is measured, dirt first, which decides.

    Args:
        trial: the trial.
        loads: result of `find_part_loads`.
        measured: `response, load_id, z` of these loads; dirt given the conditions.
    """
    names = [DIRT, *(n for n in measured["response"].unique(maintain_order=True) if n != DIRT)]
    arms = Arms(PART_VALUES, trial.pairs)
    by_response = {
        n: days_of_loads(loads.join(measured.filter(response=n), on="load_id", how="left", maintain_order="left"))
        for n in names
    }
    return with_stopping([estimate(arms, days, n) for n, days in by_response.items()], trial.pairs)
