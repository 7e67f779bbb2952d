"""What the data cannot tell yet, and the trials that would settle it."""

import polars as pl

from reports.charts.tried_grid import tried_grid
from reports.language.basis_messages import earlier_note
from reports.language.display_units import Shown, number
from reports.language.labels import capital, setting_label, step_in_words
from reports.language.translate import mark, say, say_n, translate_stored
from reports.page.model import Column, Figure, Prose, Row, Section, Table, figure, words
from reports.sections.effects import labelled
from transforms.config.settings_catalogue import Catalogue
from transforms.storage.product_basis import GUIDE, product_status
from transforms.storage.warehouse import Warehouse

SIGNS = {"told": "●", "no effect told": "○", "confounded": "!", "not tried enough": "·"}
WHY = {
    "confounded": mark("confounded"),
    "too wide to tell": mark("too wide to tell"),
    "not tried enough": mark("not tried enough"),
}
ORDER = ("dry", "moist", "wet", "light", "medium", "heavy")


def grid_finding(cells: pl.DataFrame) -> str:
    """Return how many combinations of setting and conditions are told, and how many nobody tried."""
    by = dict(cells.group_by("standing", maintain_order=True).len().iter_rows())
    return say(
        "Of {all} combinations of setting and conditions, {told} are told, {none} show no effect, {crossed} are "
        "confounded between visits, and {untried} are not tried enough.",
        all=number(cells.height, 0),
        told=by.get("told", 0),
        none=by.get("no effect told", 0),
        crossed=by.get("confounded", 0),
        untried=by.get("not tried enough", 0),
    )


def _grid(warehouse: Warehouse, catalogue: Catalogue) -> Figure | Prose:
    cells = warehouse.query("effect_class")
    if not cells.height:
        return Prose(say("Dirt is not fitted yet."))
    place = {c: i for i, c in enumerate(ORDER)}
    cells = labelled(cells, catalogue).sort(
        pl.col("wetness_class").replace_strict(place), pl.col("soil_class").replace_strict(place), "label"
    )
    classes = [
        say("{wetness}, {soil}", wetness=translate_stored(w), soil=translate_stored(s))
        for w, s in cells.select("wetness_class", "soil_class").iter_rows()
    ]
    drawn = cells.select(
        "label",
        pl.Series("class_", classes),
        "standing",
        "n",
        "change_pct",
        "lo95",
        "hi95",
        pl.col("standing").replace_strict(SIGNS).alias("sign"),
    )
    table = Table(
        "tried-table",
        say("what is told"),
        (
            Column(say("Setting")),
            Column(say("Conditions"), numeric=False),
            Column(say("Change, %")),
            Column("n"),
            Column(say("Standing"), numeric=False),
        ),
        tuple(
            Row(
                (
                    words(r["label"]),
                    words(c),
                    figure(r["change_pct"], 1, r["lo95"], r["hi95"], sign=True),
                    figure(r["n"], 0),
                    words(say(r["standing"])),
                ),
                {"wetness": r["wetness_class"], "soil": r["soil_class"]},
            )
            for r, c in zip(cells.iter_rows(named=True), classes, strict=True)
        ),
        say("Change of dirt in percent per step; 95 % intervals; n is the measured loads in the class."),
    )
    reading = say("● told, ○ no effect told, ! confounded, · not tried enough.")
    return Figure(
        "tried", grid_finding(cells), reading, tried_grid(drawn), say("What is told by setting and conditions"), table
    )


def trials_finding(wanted: pl.DataFrame, catalogue: Catalogue, shown: Shown) -> str:
    """Return how many questions are open, and the trial that would settle the first."""
    can = wanted.drop_nulls("pairs")
    if not can.height:
        return say("No question waits for a trial that could settle it.")
    first = can.row(0, named=True)
    command = (
        f"taretrace trial plan --setting {first['setting']} --machine {first['machine_id']} "
        f"--detect-pct {first['detect_pct']:.0f}"
    )
    return say_n(
        "{n} question is open. First: {step} in {wetness} topsoil, {why}; {pairs} pairs of loads on {machine} would "
        "find {detect} %: {command}",
        "{n} questions are open. First: {step} in {wetness} topsoil, {why}; {pairs} pairs of loads on {machine} "
        "would find {detect} %: {command}",
        wanted.height,
        step=step_in_words(first["setting"], catalogue, shown),
        wetness=translate_stored(first["wetness_class"]),
        why=say(WHY[first["why"]]),
        pairs=first["pairs"],
        machine=first["machine_id"],
        detect=number(first["detect_pct"], 0),
        command=command,
    )


def _trials(wanted: pl.DataFrame, catalogue: Catalogue, shown: Shown) -> Table:
    return Table(
        "trials-table",
        say("trials wanted"),
        (
            Column(say("Setting, one step")),
            Column(say("Topsoil"), numeric=False),
            Column(say("Why"), numeric=False),
            Column(say("Change so far, %")),
            Column("n"),
            Column(say("Would find, %")),
            Column(say("Pairs of loads")),
            Column(say("Machine"), numeric=False),
            Column(say("Its days")),
        ),
        tuple(
            Row(
                (
                    words(capital(step_in_words(r["setting"], catalogue, shown))),
                    words(translate_stored(r["wetness_class"])),
                    words(say(WHY[r["why"]])),
                    figure(r["change_pct"], 1, r["lo95"], r["hi95"], sign=True),
                    figure(r["n"], 0),
                    figure(r["detect_pct"], 0),
                    figure(r["pairs"], 0),
                    words(r["machine_id"]),
                    figure(r["machine_days"], 0),
                ),
                {"wetness": r["wetness_class"], "machine": r["machine_id"]},
            )
            for r in wanted.iter_rows(named=True)
        ),
        say(
            "Split-run trials of alternate loads that find the change given with a chance of 80 in 100; a dash where "
            "more than 200 pairs would be needed: a larger step shows sooner. The machine is the one that lifted most "
            "there."
        ),
    )


def open_section(warehouse: Warehouse, catalogue: Catalogue, shown: Shown) -> Section:
    """Return what is not known, and how it could be."""
    wanted, results = warehouse.table("trial_wanted"), warehouse.table("trial_result")
    blocks = [
        _grid(warehouse, catalogue),
        *earlier_note(GUIDE, product_status(warehouse, GUIDE)),
        Prose(trials_finding(wanted, catalogue, shown)),
        _trials(wanted, catalogue, shown),
    ]
    if results.height:
        blocks.append(
            Table(
                "trials-read",
                say("trials read"),
                (
                    Column(say("Trial")),
                    Column(say("Setting"), numeric=False),
                    Column(say("Change of dirt, %")),
                    Column(say("n pairs")),
                    Column(say("What it is"), numeric=False, wrap=True),
                ),
                tuple(
                    Row(
                        (
                            words(r["trial_id"]),
                            words(setting_label(r["setting"], catalogue)),
                            figure(r["effect_pct"], 1, r["lo95"], r["hi95"], sign=True),
                            figure(r["pairs"], 0),
                            words(translate_stored(r["says"])),
                        )
                    )
                    for r in results.iter_rows(named=True)
                ),
                say("Trials of this season that were read; 95 % intervals by randomisation."),
            )
        )
    return Section("open", say("What we cannot tell yet, and the trials that would settle it"), tuple(blocks))
