"""Machines of the shift compared: observed dirt against expected dirt, as sentence, chart and table."""

import polars as pl

from reports.charts.machine_dirt import machine_dirt
from reports.language.display_units import Shown
from reports.language.labels import listed
from reports.language.translate import say
from reports.page.links import loads_link
from reports.page.model import Column, Figure, Row, Table, figure, spanned, words
from reports.sections.shift_cards import sentence


def machine_finding(machines: pl.DataFrame) -> str:
    """Return a sentence on the machines that are clearly dirtier or cleaner than their conditions explain."""
    rows = machines.drop_nulls("observed_pct")
    if not rows.height:
        return say("No load of this shift is measured yet.")
    low, high = pl.col("observed_pct") - pl.col("observed_half"), pl.col("observed_pct") + pl.col("observed_half")
    above = rows.filter(low > pl.col("expected_hi95"))["machine_id"].to_list()
    below = rows.filter(high < pl.col("expected_lo95"))["machine_id"].to_list()
    parts = [
        say("clearly dirtier than their conditions explain: {machines}", machines=listed(above))
        if above
        else say("no machine is clearly dirtier than its conditions explain")
    ]
    if below:
        parts.append(say("clearly cleaner: {machines}", machines=listed(below)))
    return sentence("; ".join(parts))


def machine_table(machines: pl.DataFrame, shown: Shown) -> Table:
    """Return the table of the machines of the shift."""
    rows = []
    for r in machines.iter_rows(named=True):
        half, loss_half, is_measured = r["observed_half"], r["root_loss_half"], r["observed_pct"] is not None
        loss = None if r["root_loss_t_ha"] is None else shown.convert(r["root_loss_t_ha"], "t/ha")
        link = loads_link(machine=r["machine_id"])
        rows.append(
            Row(
                (
                    words(r["machine_id"], link),
                    words(r["generation"]),
                    figure(r["loads"], 0, href=link),
                    figure(shown.convert(r["gross_t"], "t"), 0),
                    figure(r["measured"], 0),
                    spanned(r["observed_pct"], half),
                    figure(r["expected_pct"], 1, r["expected_lo95"], r["expected_hi95"]),
                    figure(r["observed_pct"] - r["expected_pct"], sign=True) if is_measured else words(None),
                    spanned(loss, None if loss_half is None else shown.convert(loss_half, "t/ha")),
                    figure(r["audits"], 0),
                    figure(r["trace_quality"], 2),
                ),
                {"machine": r["machine_id"], "site": r["sites"]},
            )
        )
    return Table(
        "machine-table",
        say("machines in the shift"),
        (
            Column(say("Machine")),
            Column(say("Generation"), numeric=False),
            Column(say("Loads")),
            Column(say("Gross, {t}", t=shown.sign("t"))),
            Column(say("n measured")),
            Column(say("Dirt observed, %")),
            Column(say("Dirt expected, %")),
            Column(say("Difference, points")),
            Column(say("Root loss, {unit}", unit=shown.sign("t/ha"))),
            Column(say("n dug")),
            Column(say("Trace quality, 0 to 1")),
        ),
        tuple(rows),
        say("Dirt tare in % of gross; brackets are 95 % intervals; n is the number of loads measured or plots dug."),
    )


def fleet_figure(machines: pl.DataFrame, day: str, shown: Shown) -> Figure:
    """Return the figure that compares all machines of the shift."""
    finding = machine_finding(machines)
    drawn = machines.drop_nulls("observed_pct").height > 0
    return Figure(
        "machines-dirt",
        finding,
        say(
            "Dot: observed value with 95 % interval. Band: 95 % interval of the value expected for the conditions and "
            "field at the fleet's usual settings."
        ),
        machine_dirt(machines) if drawn else None,
        say("Observed and expected dirt tare by machine in the shift of {day}", day=day),
        machine_table(machines, shown),
        open=True,
    )
