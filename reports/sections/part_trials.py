"""Trials that would settle comparisons of fitted parts: their size, their cost in the workshop, and the command."""

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.language.part_labels import PLACE_OF, part_label, place_label, plan_command
from reports.language.translate import say, translated
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from transforms.model.fitted_parts import PLACES
from transforms.trial.part_size import days_of_each


def part_trials_table(suggested: pl.DataFrame, shown: DisplayUnits) -> Table:
    """Return the table of suggested trials of fitted parts.

    Args:
        suggested: rows of `trial_wanted` with a part, at least one.
        shown: units of the page.
    """
    return build_table(
        "part-trials",
        say("trials of fitted parts"),
        (
            Column(say("Part on trial"), lambda r: text_cell(part_label(r["part"])), numeric=False),
            Column(say("Instead of"), lambda r: text_cell(part_label(r["part_now"])), numeric=False),
            Column(say("Place"), lambda r: text_cell(place_label(PLACE_OF[r["setting"]])), numeric=False),
            Column(say("Topsoil"), lambda r: text_cell(translated(r["wetness_class"] or say("all"))), numeric=False),
            Column(say("Detectable change, %"), lambda r: number_cell(r["detect_pct"], 0)),
            Column(say("Pairs of days"), lambda r: number_cell(r["pairs"], 0)),
            Column(say("Machines"), lambda r: text_cell(r["machine_id"]), numeric=False, wrap=True),
            Column(say("Days of each"), lambda r: number_cell(r["machine_days"], 0)),
            Column(say("Workshop, {currency}", currency=shown.currency), lambda r: number_cell(r["workshop_cost"], 0)),
            Column(say("Plan it with"), lambda r: text_cell(plan_command(r)), numeric=False, wrap=True),
        ),
        suggested.iter_rows(named=True),
        caption=say(
            "The part of each day of a machine is drawn by lot, in pairs of days, so that weather and crop cannot "
            "explain the difference. The machines share the pairs. A dash means that more than 200 pairs are needed."
        ),
    )


def trials_of_undecided(undecided: pl.DataFrame) -> pl.DataFrame:
    """Return the trials of changes of parts that are not advised yet, one for machines with the same question.

    Args:
        undecided: rows of `part_advice` with the verdict "trial".

    Returns:
        The columns of `trial_wanted` that `part_trials_table` shows.
    """
    key = ["place", "part_now", "part", "wetness_class"]
    groups = undecided.group_by(key, maintain_order=True).agg(
        pl.col("trial_detect_pct").first().alias("detect_pct"),
        pl.col("trial_pairs").first().alias("pairs"),
        pl.col("trial_cost").first().alias("workshop_cost"),
        pl.col("machine_id").unique(maintain_order=True).sort().alias("machines"),
    )
    each = [
        None if pairs is None else float(days_of_each(pairs, len(machines)))
        for pairs, machines in groups.select("pairs", "machines").iter_rows()
    ]
    return groups.with_columns(
        pl.col("place").replace_strict(PLACES, return_dtype=pl.String).alias("setting"),
        pl.col("machines").list.join(", ").alias("machine_id"),
        pl.Series("machine_days", each, dtype=pl.Float64),
    )
