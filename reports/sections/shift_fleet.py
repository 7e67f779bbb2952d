"""Machines of the shift compared: observed dirt against expected dirt, as sentence, chart and table."""

from typing import Any

import polars as pl

from reports.charts.machine_dirt import machine_dirt
from reports.language.display_units import DisplayUnits
from reports.language.labels import join_names
from reports.language.translate import say
from reports.page.links import loads_link
from reports.page.model import Figure
from reports.page.tables import Cell, Column, Table, build_table, mean_cell, number_cell, text_cell
from reports.page.theme import FEW
from reports.sections.few_loads import loads_words, pale_words
from reports.sections.shift_cards import sentence


def machine_finding(machines: pl.DataFrame) -> str:
    """Return a sentence on the machines that are clearly dirtier or cleaner than their conditions explain."""
    rows = machines.drop_nulls("observed_pct")
    if not rows.height:
        return say("No load of this shift is measured yet.")
    low, high = pl.col("observed_pct") - pl.col("observed_half"), pl.col("observed_pct") + pl.col("observed_half")
    above = _names(rows.filter(low > pl.col("expected_hi95")))
    below = _names(rows.filter(high < pl.col("expected_lo95")))
    parts = [
        say("clearly dirtier than their conditions explain: {machines}", machines=join_names(above))
        if above
        else say("no machine is clearly dirtier than its conditions explain")
    ]
    if below:
        parts.append(say("clearly cleaner: {machines}", machines=join_names(below)))
    return sentence("; ".join(parts))


def _names(machines: pl.DataFrame) -> list[str]:
    """Return machines with the number of their measured loads."""
    named = machines.select("machine_id", "measured").iter_rows()
    return [say("{machine} ({n})", machine=m, n=loads_words(n)) for m, n in named]


def machine_table(machines: pl.DataFrame, shown: DisplayUnits, loads_page: str) -> Table:
    """Return the table of the machines of the shift; numbers link to the loads on another page."""

    def own_loads(r: dict[str, Any]) -> str:
        return loads_link(loads_page, machine=r["machine_id"])

    def loss(r: dict[str, Any]) -> Cell:
        mean, half = (
            None if v is None else shown.convert(v, "t/ha") for v in (r["root_loss_t_ha"], r["root_loss_half"])
        )
        return mean_cell(mean, half)

    def difference(r: dict[str, Any]) -> Cell:
        return (
            text_cell(None)
            if r["observed_pct"] is None
            else number_cell(r["observed_pct"] - r["expected_pct"], sign=True)
        )

    return build_table(
        "machine-table",
        say("machines in the shift"),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"], own_loads(r))),
            Column(say("Type"), lambda r: text_cell(r["generation"]), numeric=False),
            Column(say("Loads"), lambda r: number_cell(r["loads"], 0, href=own_loads(r))),
            Column(
                say("Delivered (with soil), {t}", t=shown.sign("t")),
                lambda r: number_cell(shown.convert(r["delivered_t"], "t"), 0),
            ),
            Column(say("n measured"), lambda r: number_cell(r["measured"], 0)),
            Column(say("Dirt observed, %"), lambda r: mean_cell(r["observed_pct"], r["observed_half"])),
            Column(
                say("Dirt expected, %"),
                lambda r: number_cell(r["expected_pct"], 1, r["expected_lo95"], r["expected_hi95"]),
            ),
            Column(say("Difference, points"), difference),
            Column(say("Root loss, {unit}", unit=shown.sign("t/ha")), loss),
            Column(say("n dug"), lambda r: number_cell(r["audits"], 0)),
            Column(say("Trace quality, 0 to 1"), lambda r: number_cell(r["trace_quality"], 2)),
        ),
        machines.iter_rows(named=True),
        caption=say(
            "Dirt tare in % of delivered weight; brackets are 95 % intervals; n is the number of loads measured or "
            "plots dug."
        ),
        marks=lambda r: {"machine": r["machine_id"], "site": r["sites"]},
    )


def fleet_figure(machines: pl.DataFrame, day: str, shown: DisplayUnits, loads_page: str) -> Figure:
    """Return the figure that compares all machines of the shift."""
    finding = machine_finding(machines)
    drawn = machines.drop_nulls("observed_pct")
    reading = say(
        "Dot: observed value with 95 % interval. Band: 95 % interval of the value expected for the conditions and "
        "field at the fleet's usual settings."
    )
    if (drawn["measured"] < FEW).any():
        reading += " " + pale_words()
    return Figure(
        "machines-dirt",
        finding,
        reading,
        machine_dirt(machines) if drawn.height else None,
        say("Observed and expected dirt tare by machine in the shift of {day}", day=day),
        machine_table(machines, shown, loads_page),
    )
