"""Section on open questions: effects that cannot be estimated yet, and the trials that would answer them."""

from typing import Any

import polars as pl

from reports.charts.effect_grid import STANDINGS, effect_grid
from reports.language.basis_messages import earlier_note
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital
from reports.language.part_labels import plan_command, tested_change
from reports.language.reason_text import row_reason
from reports.language.translate import say, say_n, translated
from reports.page.model import Figure, Prose, Section
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from reports.pages.season_data import OpenQuestionsData
from reports.sections.effects import add_setting_labels
from reports.sections.season_next import trial_worth
from reports.sections.trial_results import trial_results
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.storage.product_basis import GUIDE, ProductStatus

ORDER = (*WETNESS_CLASSES, *SOIL_CLASSES)


def grid_finding(cells: pl.DataFrame) -> str:
    """Return a sentence on the number of combinations of setting and conditions by their standing."""
    by = dict(cells.group_by("standing", maintain_order=True).len().iter_rows())
    return say(
        "Of {all} combinations of setting and conditions, {clear} show a clear effect, {none} show no clear effect, "
        "{crossed} are confounded between visits, and {untried} have not been tried enough.",
        all=number(cells.height, 0),
        clear=by.get("clear", 0),
        none=by.get("none", 0),
        crossed=by.get("confounded", 0),
        untried=by.get("not_tried", 0),
    )


def _conditions(r: dict[str, Any]) -> str:
    return say("{wetness}, {soil}", wetness=translated(r["wetness_class"]), soil=translated(r["soil_class"]))


def _grid(cells: pl.DataFrame, catalogue: Catalogue) -> Figure | Prose:
    if not cells.height:
        return Prose(say("Dirt is not fitted yet."))
    place = {c: i for i, c in enumerate(ORDER)}
    cells = add_setting_labels(cells, catalogue).sort(
        pl.col("wetness_class").replace_strict(place), pl.col("soil_class").replace_strict(place), "label"
    )
    classes = [_conditions(r) for r in cells.iter_rows(named=True)]
    drawn = cells.select(
        "label",
        pl.Series("class_", classes),
        "standing",
        "n",
        "change_pct",
        "lo95",
        "hi95",
    )
    table = build_table(
        "tried-table",
        say("effect estimates"),
        (
            Column(say("Setting"), lambda r: text_cell(r["label"])),
            Column(say("Conditions"), lambda r: text_cell(_conditions(r)), numeric=False),
            Column(say("Change, %"), lambda r: number_cell(r["change_pct"], 1, r["lo95"], r["hi95"], sign=True)),
            Column("n", lambda r: number_cell(r["n"], 0)),
            Column(say("Result"), lambda r: text_cell(say(STANDINGS[r["standing"]].label)), numeric=False),
        ),
        cells.iter_rows(named=True),
        caption=say(
            "Change of dirt in percent per step; 95 % intervals; n is the number of measured loads in the class."
        ),
        marks=lambda r: {"wetness": r["wetness_class"], "soil": r["soil_class"]},
    )
    reading = say("● clear effect, ○ no clear effect, ! confounded, · not tried enough.")
    return Figure(
        "tried",
        grid_finding(cells),
        reading,
        effect_grid(drawn),
        say("Effect estimates by setting and conditions"),
        table,
    )


def trials_finding(suggested: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return a sentence on the number of open questions and the trial that would answer the first."""
    feasible = suggested.drop_nulls("pairs")
    if not feasible.height:
        return say("No open question could be answered by a trial.")
    first = feasible.row(0, named=True)
    if first["part"] is not None:
        return _part_finding(first, suggested.height, catalogue, shown)
    return say_n(
        "{n} question is open. First: {step} in {wetness} topsoil, {why}; {pairs} pairs of loads on {machine} would "
        "detect {detect} %: {command}",
        "{n} questions are open. First: {step} in {wetness} topsoil, {why}; {pairs} pairs of loads on {machine} "
        "would detect {detect} %: {command}",
        suggested.height,
        step=tested_change(first, catalogue, shown),
        wetness=translated(first["wetness_class"]),
        why=row_reason(first, catalogue),
        pairs=first["pairs"],
        machine=first["machine_id"],
        detect=number(first["detect_pct"], 0),
        command=plan_command(first),
    )


def _part_finding(first: dict[str, Any], n: int, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the sentence on open questions of which the first is on a fitted part."""
    return say_n(
        "{n} question is open. First: {part}, {why}; {pairs} pairs of days by lot on {machine} would detect "
        "{detect} %: {command}",
        "{n} questions are open. First: {part}, {why}; {pairs} pairs of days by lot on {machine} would detect "
        "{detect} %: {command}",
        n,
        part=tested_change(first, catalogue, shown),
        why=row_reason(first, catalogue),
        pairs=first["pairs"],
        machine=first["machine_id"],
        detect=number(first["detect_pct"], 0),
        command=plan_command(first),
    )


def _trials(suggested: pl.DataFrame, season: Season, shown: DisplayUnits) -> Table:
    catalogue = season.catalogue
    return build_table(
        "trials-table",
        say("suggested trials"),
        (
            Column(say("Setting, one step, or part"), lambda r: text_cell(capital(tested_change(r, catalogue, shown)))),
            Column(say("Topsoil"), lambda r: text_cell(translated(r["wetness_class"] or say("all"))), numeric=False),
            Column(say("Reason"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False),
            Column(say("Change so far, %"), lambda r: number_cell(r["change_pct"], 1, r["lo95"], r["hi95"], sign=True)),
            Column("n", lambda r: number_cell(r["n"], 0)),
            Column(say("Detectable change, %"), lambda r: number_cell(r["detect_pct"], 0)),
            Column(say("Pairs"), lambda r: number_cell(r["pairs"], 0)),
            Column(say("Machine"), lambda r: text_cell(r["machine_id"]), numeric=False, wrap=True),
            Column(say("Days needed"), lambda r: number_cell(r["machine_days"], 0)),
            Column(
                say("Worth knowing, {currency}", currency=shown.currency), lambda r: text_cell(trial_worth(r["worth"]))
            ),
        ),
        suggested.iter_rows(named=True),
        caption=say(
            "Split-run trials of alternate loads that detect the given change with a chance of {power} in 100; a dash "
            "means more than 200 pairs are needed: try a larger step. The machine is the one that lifted most in such "
            "conditions. Fitted parts are tried in pairs of days, on all machines that have the part to be compared.",
            power=number(100 * season.trial_power, 0),
        )
        + " "
        + say("Worth knowing: savings that the answer may bring this season, less the cost of the trial."),
        marks=lambda r: {"wetness": r["wetness_class"], "machine": r["machine_id"]},
    )


def open_questions_section(
    data: OpenQuestionsData, guide_status: ProductStatus, season: Season, shown: DisplayUnits
) -> Section:
    """Return the section on open questions, suggested trials and trial results."""
    catalogue = season.catalogue
    suggested, results = data.suggested_trials, data.trial_results
    blocks = [
        _grid(data.estimates, catalogue),
        *earlier_note(GUIDE, guide_status),
        Prose(trials_finding(suggested, catalogue, shown)),
        _trials(suggested, season, shown),
    ]
    if results.height:
        blocks += trial_results(results, catalogue, shown)
    return Section("open", say("Open questions, and the trials that would answer them"), tuple(blocks))
