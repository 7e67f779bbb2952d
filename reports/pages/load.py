"""Load page: the machine's timeline, the minutes traced to the load, and a map of the field's passes."""

import datetime as dt
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from reports.charts.field_passes import field_passes
from reports.charts.load_timeline import load_timeline
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, setting_label
from reports.language.reason_text import row_reason
from reports.language.translate import say, say_n, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.model import Chart, Figure, Page, Prose, Section
from reports.page.tables import Column, Table, build_table, figures, number_cell, text_cell
from reports.pages.load_data import LoadPageData
from reports.sections.data_health import footer
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season
from transforms.contracts.naming import safe_name
from transforms.errors import WorkspaceError
from transforms.operations.load_view import LoadPicture

METRES_PER_DEG = 111_320.0
BIN_S = 30
MAX_DOTS = 2500
"""Half minutes on the map; more are thinned, except the load's own, to keep the page small."""


def _local(frame: pl.DataFrame, column: str, zone: str) -> pl.Series:
    return frame[column].dt.convert_time_zone(zone).dt.replace_time_zone(None).alias("at")


def _settings(passes: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> dict[str, str]:
    """Return the settings logged by the field's machines, with label and unit."""
    logged = [n for n, s in catalogue.items() if s.nature == "numeric" and n in passes.columns and passes[n].count()]
    return {n: f"{setting_label(n, catalogue)}, {shown.sign(catalogue[n].unit)}".removesuffix(", ") for n in logged}


def _chosen(setting: str | None, settings: dict[str, str]) -> str:
    if setting is None:
        return "share_depth_cm" if "share_depth_cm" in settings else next(iter(settings), "")
    if setting not in settings:
        raise WorkspaceError(
            f"'{setting}' is not a setting logged in this field",
            where="--setting",
            remedy=f"use one of {', '.join(settings)}",
        )
    return setting


def _map_rows(
    passes: pl.DataFrame, settings: dict[str, str], catalogue: Catalogue, shown: DisplayUnits
) -> pl.DataFrame:
    step = max(1, -(-passes.height // MAX_DOTS))
    passes = passes.filter((pl.int_range(pl.len()) % step == 0) | (pl.col("share") > 0))
    north = (pl.col("lat_deg") - pl.col("lat_deg").mean()) * METRES_PER_DEG
    east = (pl.col("lon_deg") - pl.col("lon_deg").mean()) * METRES_PER_DEG * pl.col("lat_deg").mean().radians().cos()
    values = []
    for name in settings:
        factor, zero = shown.straight(catalogue[name].unit)
        values.append((pl.col(name) * factor + zero).round(2))
    return passes.select(
        north.round(1).alias("north_m"),
        east.round(1).alias("east_m"),
        "machine_id",
        _local(passes, "bin_at", shown.zone),
        (100 * pl.col("share")).round(3).alias("share_pct"),
        *values,
    )


def _timeline(picture: LoadPicture, row: dict[str, Any], shown: DisplayUnits) -> Chart:
    minutes = picture.minutes
    level = "tank_t" if minutes["tank_t"].count() else "lifted_t"
    rows = minutes.select(
        _local(minutes, "bin_at", shown.zone),
        "state",
        (pl.col(level) * shown.convert(1.0, "t")).round(2).alias("level"),
        (100 * pl.col("share")).round(3).alias("share_pct"),
    ).with_columns((pl.col("at") + pl.duration(seconds=BIN_S)).alias("until"))
    ahead = dt.timedelta(minutes=row["machine_ahead_min"])
    moments = [(say("weighed in"), row["weighed_true_at"] + ahead)]
    if row["left_field_at"] is not None:
        moments.insert(0, (say("left the field"), row["left_field_at"] + ahead))
    marks = pl.DataFrame(moments, schema={"what": pl.String, "when": pl.Datetime("us", "UTC")}, orient="row")
    marks = marks.select("what", _local(marks, "when", shown.zone))
    emptied = picture.emptied.select(_local(picture.emptied, "started_at", shown.zone))
    return load_timeline(rows, emptied, marks, shown.sign("t"))


def _stretches(picture: LoadPicture, zone: ZoneInfo) -> Table:
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
            Column(say("From"), lambda r: text_cell(f"{r['from'].astimezone(zone):%Y-%m-%d %H:%M:%S}"), numeric=False),
            Column(
                say("To"),
                lambda r: text_cell(f"{(r['to'] + dt.timedelta(seconds=BIN_S)).astimezone(zone):%H:%M:%S}"),
                numeric=False,
            ),
            Column(say("Share of the load, %"), lambda r: number_cell(100 * r["share"])),
        ),
        stretches.iter_rows(named=True),
        caption=say("Minutes that filled the load, and their share of it."),
    )


def _pass_table(rows: pl.DataFrame, settings: dict[str, str]) -> Table:
    """Return the map's data by machine: half minutes in the field and in the load, and the mean of each setting."""
    by = (
        rows.group_by("machine_id", maintain_order=True)
        .agg(
            pl.len(),
            (pl.col("share_pct") > 0).sum().alias("own"),
            pl.col("at").min().alias("from"),
            pl.col("at").max().alias("to"),
            *(pl.col(n).mean() for n in settings),
        )
        .sort("machine_id")
    )
    return build_table(
        "passes",
        say("passes"),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"])),
            Column(say("n half minutes shown"), lambda r: number_cell(r["len"], 0)),
            Column(say("of the load"), lambda r: number_cell(r["own"], 0)),
            *(Column(label, figures(name)) for name, label in settings.items()),
        ),
        by.iter_rows(named=True),
        caption=say("Means of the half minutes shown."),
    )


def _lead(row: dict[str, Any], shown: DisplayUnits) -> str:
    parts = [
        say(
            "{gross} from {field}, weighed at {site}, {at}.",
            gross=shown.quantity(row["gross_t"], "t", digits=2),
            field=row["field_id"],
            site=row["site_id"] or NO_VALUE,
            at=shown.moment(row["weighed_true_at"]),
        )
    ]
    if row["ticket_machine_id"]:
        parts.append(
            say(
                "Filled by {machine} (its ticket names {ticket}).",
                machine=row["machine_id"],
                ticket=row["ticket_machine_id"],
            )
        )
    else:
        parts.append(
            say(
                "Filled by {machine} ({chance} % certain; its ticket names no machine).",
                machine=row["machine_id"],
                chance=number(min(100 * row["machine_chance"], 99), 0),
            )
        )
    parts.append(
        say(
            "Trace quality {quality}: about this share of its mass is expected to come from the minutes shown.",
            quality=number(row["trace_quality"], 2),
        )
    )
    return " ".join(parts)


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


def _time_section(picture: LoadPicture, row: dict[str, Any], shown: DisplayUnits) -> Section:
    minutes = _stretches(picture, ZoneInfo(shown.zone))
    level = say("Above: the tank level from its sensor")
    if not picture.minutes["tank_t"].count():
        level = say("Above: the mass lifted since the last emptying, because this machine logs no tank level")
    reading = say(
        "{level}; dashed lines are emptyings, solid lines the truck. Below: the share of the load from each "
        "half minute. Bottom: the state of the machine.",
        level=level,
    )
    finding = say_n(
        "{n} stretch of lifting filled the load.", "{n} stretches of lifting filled the load.", len(minutes.rows)
    )
    chart = Figure(
        "time",
        finding,
        reading,
        _timeline(picture, row, shown),
        say("Tank level, emptyings, truck and weigh-in, and the minutes traced to load {load}", load=row["load_id"]),
        minutes,
        open=True,
    )
    clocks = Prose(_clocks(row, shown))
    return Section("machine-time", say("Timeline of the machine, and the minutes traced to the load"), (clocks, chart))


def _map_section(rows: pl.DataFrame, row: dict[str, Any], settings: dict[str, str], first: str) -> Section:
    own = rows.filter(pl.col("share_pct") > 0).height
    finding = say("{own} of {all} half minutes shown filled this load.", own=own, all=rows.height)
    reading = say(
        "Half minutes of lifting in the field (a sample if there are very many), coloured by a setting; rings mark "
        "those of the load."
    )
    alt = say(
        "Map of the passes of field {field} coloured by a setting, the load's own minutes ringed", field=row["field_id"]
    )
    chart = Figure("map", finding, reading, field_passes(rows, settings, first), alt, _pass_table(rows, settings))
    return Section("passes-map", say("The passes of {field}", field=row["field_id"]), (chart,))


def load_page(data: LoadPageData, season: Season, setting: str | None = None) -> Page:
    """Return the page of one load, its map coloured by `setting`.

    Raises:
        WorkspaceError: the setting was not logged in the load's field.
    """
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    picture = data.picture
    row = picture.load.row(0, named=True)
    settings = _settings(picture.passes, season.catalogue, shown)
    first = _chosen(setting, settings)
    sections = [_time_section(picture, row, shown)]
    if settings:
        rows = _map_rows(picture.passes, settings, season.catalogue, shown)
        sections.append(_map_section(rows, row, settings, first))
    when = say("{season} · times are {zone}, by the machine's own clock", season=season.name, zone=season.time_zone)
    title = say("Load {load}", load=row["load_id"])
    return Page(title, when, _lead(row, shown), None, tuple(sections), footer(data.footer))


def write_load_page(
    data: LoadPageData, season: Season, out: Path, setting: str | None = None, formats: OutputFormats = HTML
) -> list[Path]:
    """Write `load-<id>.html` into `out` and return its paths.

    Raises:
        WorkspaceError: the setting was not logged in the load's field.
    """
    name = f"load-{safe_name(data.picture.load['load_id'][0])}.html"
    with use_language(season.locale, season.texts):
        return write_page(load_page(data, season, setting), out / name, formats)
