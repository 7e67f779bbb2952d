"""Minutes of one load: its machine's timeline, and the trace with its certainty and clocks."""

import datetime as dt
from typing import Any

import polars as pl

from reports.charts.load_timeline import load_timeline
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital
from reports.language.reason_text import row_reason
from reports.language.translate import say, say_n
from reports.page.model import Chart, Figure, Fold, Prose, Section
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from reports.sections.load_map import at_local
from transforms.arrays import narrow
from transforms.operations.load_view import LoadPicture

BIN_S = 30
SOON = dt.timedelta(hours=12)
"""A truck that comes later, as to a heap, is not drawn: its line would leave no room for the minutes of lifting."""


def _timeline(picture: LoadPicture, row: dict[str, Any], shown: DisplayUnits) -> Chart:
    minutes = picture.minutes
    level = "tank_t" if minutes["tank_t"].count() else "lifted_t"
    rows = minutes.select(
        at_local(minutes, "bin_at", shown.zone),
        "state",
        (pl.col(level) * shown.convert(1.0, "t")).round(2).alias("level"),
        (100 * pl.col("share")).round(3).alias("share_pct"),
    ).with_columns((pl.col("at") + pl.duration(seconds=BIN_S)).alias("until"))
    emptied = picture.emptied.select(at_local(picture.emptied, "started_at", shown.zone))
    return load_timeline(rows, emptied, _moments(picture, row, shown), shown.sign("t"))


def _moments(picture: LoadPicture, row: dict[str, Any], shown: DisplayUnits) -> pl.DataFrame:
    """Return `what, at` of the truck, in local time; none if it came long after the last minute of lifting."""
    ahead = dt.timedelta(minutes=row["machine_ahead_min"])
    moments = [(say("weighed in"), row["weighed_true_at"] + ahead)]
    if row["left_field_at"] is not None:
        moments.insert(0, (say("left the field"), row["left_field_at"] + ahead))
    found = pl.DataFrame(moments, schema={"what": pl.String, "when": pl.Datetime("us", "UTC")}, orient="row")
    found = found.filter(pl.col("when") <= narrow(picture.minutes["bin_at"].max(), dt.datetime) + SOON)
    return found.select("what", at_local(found, "when", shown.zone))


def _stretches(picture: LoadPicture, shown: DisplayUnits) -> Table:
    """Return the table of stretches of minutes that filled the load."""
    own = picture.passes.filter(pl.col("share") > 0).sort("machine_id", "bin_at")
    begins = (pl.col("bin_at").diff() > dt.timedelta(minutes=2)).fill_null(value=True)
    begins = begins | (pl.col("machine_id") != pl.col("machine_id").shift(1))
    stretches = (
        own.with_columns(begins.cum_sum().alias("nth"))
        .group_by("machine_id", "nth", maintain_order=True)
        .agg(pl.col("bin_at").min().alias("from"), pl.col("bin_at").max().alias("to"), pl.col("share").sum())
    )
    return build_table(
        "minutes",
        say("minutes of the load"),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"])),
            Column(say("From"), lambda r: text_cell(shown.second(r["from"])), numeric=False),
            Column(
                say("To"),
                lambda r: text_cell(shown.second(r["to"] + dt.timedelta(seconds=BIN_S))),
                numeric=False,
            ),
            Column(say("Share of the load, %"), lambda r: number_cell(100 * r["share"])),
        ),
        stretches.iter_rows(named=True),
        caption=say("Minutes that filled the load, and their share of it."),
    )


def _clocks(row: dict[str, Any], shown: DisplayUnits) -> str:
    parts = [capital(row_reason(row)) + "."] if row["reason_code"] is not None else []
    if row["machine_ahead_min"]:
        parts.append(
            say("The machine's clock is assumed to be {n} min ahead.", n=number(row["machine_ahead_min"], 0, sign=True))
        )
    if row["site_ahead_min"]:
        parts.append(
            say(
                "The weighbridge's clock is assumed to be {n} min ahead: the time above is corrected; as printed on "
                "the ticket it is {printed}.",
                n=number(row["site_ahead_min"], 1, sign=True),
                printed=shown.moment(row["weighed_at"]),
            )
        )
    if row["machine_sooner_min"]:
        parts.append(
            say(
                "Loads of this machine are weighed {n} min sooner after lifting than those of the others, because of "
                "its clock or its trucks. No time above is changed.",
                n=number(row["machine_sooner_min"], 0, sign=True),
            )
        )
    if row["site_later_min"]:
        parts.append(
            say(
                "This weighbridge weighs {n} min later after lifting than the others, because of a queue or its "
                "clock. No time above is changed.",
                n=number(row["site_later_min"], 0, sign=True),
            )
        )
    return " ".join(parts)


def _certainty(row: dict[str, Any]) -> str:
    """Return sentences on the machine and on the quality of the trace."""
    if row["ticket_machine_id"]:
        machine = say(
            "Filled by {machine} (its ticket names {ticket}).",
            machine=row["machine_id"],
            ticket=row["ticket_machine_id"],
        )
    else:
        machine = say(
            "Filled by {machine} ({chance} % certain; its ticket names no machine).",
            machine=row["machine_id"],
            chance=number(min(100 * row["machine_chance"], 99), 0),
        )
    quality = say(
        "Trace quality {quality} of 1: about this share of its mass is expected to come from the minutes shown.",
        quality=number(row["trace_quality"], 2),
    )
    return f"{machine} {quality}"


def minutes_section(picture: LoadPicture, row: dict[str, Any], shown: DisplayUnits) -> Section:
    """Return the section on the minutes traced to the load."""
    minutes = _stretches(picture, shown)
    level = say("Above: the tank level from its sensor")
    if not picture.minutes["tank_t"].count():
        level = say("Above: the mass lifted since the last emptying, because this machine logs no tank level")
    reading = say(
        "{level}; dashed lines are emptyings, solid lines the truck. Below: the share of the load from each "
        "half minute. Bottom: the state of the machine.",
        level=level,
    )
    if not _moments(picture, row, shown).height:
        reading = say(
            "{level}; dashed lines are emptyings. The truck came more than half a day later. Below: the share of the "
            "load from each half minute. Bottom: the state of the machine.",
            level=level,
        )
    filled = picture.minutes.filter(pl.col("share") > 0)["bin_at"]
    is_one_day = filled.dt.convert_time_zone(shown.zone).dt.date().n_unique() == 1
    clock = shown.clock if is_one_day else shown.moment
    finding = say_n(
        "Filled in {n} stretch of lifting, {start} to {end}.",
        "Filled in {n} stretches of lifting, {start} to {end}.",
        len(minutes.rows),
        start=clock(narrow(filled.min(), dt.datetime)),
        end=clock(narrow(filled.max(), dt.datetime) + dt.timedelta(seconds=BIN_S)),
    )
    chart = Figure(
        "time",
        finding,
        reading,
        _timeline(picture, row, shown),
        say("Tank level, emptyings, truck and weigh-in, and the minutes traced to load {load}", load=row["load_id"]),
        minutes,
    )
    texts = (_certainty(row), _clocks(row, shown))
    trace = Fold(say("Certainty of the trace, and clocks"), tuple(Prose(t) for t in texts if t))
    return Section("machine-time", say("When it was lifted"), (chart, trace))
