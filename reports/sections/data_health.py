"""Section on data health with a one-line summary, and footer with run, fingerprint, row counts and mass closure."""

import datetime as dt
from typing import Any

import polars as pl

from reports.language.basis_messages import by_day_words
from reports.language.bidi import isolated
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import response_label, setting_label
from reports.language.reason_text import row_reason
from reports.language.translate import local_date, mark, say, say_n, translated
from reports.page.model import Fold, Prose, Section
from reports.page.tables import Column, Table, build_table, figures, number_cell, text_cell
from reports.sections.clock_offsets import offset_lines
from reports.sections.health_data import FooterData, HealthData
from transforms.config.settings_catalogue import Catalogue

FAULT_WORDS = {
    "stuck": mark("stuck"),
    "drift": mark("drifting"),
    "clock_step": mark("clock jumps"),
    "off_position": mark("ground speed inconsistent with positions"),
    "out_of_range": mark("readings out of range"),
    "spike": mark("spikes"),
}
WITHOUT_SETTING = {"clock_step", "off_position"}


def warnings(data: FooterData) -> tuple[str, ...]:
    """Return a line for each fit that must not be acted on, for pages whose appendix has the footer."""
    return tuple(
        say("The fit of {response} did NOT converge: do not act on it.", response=response_label(r["response"]))
        for r in data.fits.iter_rows(named=True)
        if not r["converged"]
    )


def footer(data: FooterData) -> tuple[str, ...]:
    """Return the footer lines: run and data fingerprint of each fit, rows in and rejected, and mass closure."""
    h = data.counts
    lines = [
        say(
            "Fit of {response}: run {run}, data {data}, n = {n}, residual SD {sd} on the log scale.",
            response=response_label(r["response"]),
            run=f"{r['fitted_at']:%Y%m%dT%H%M%SZ}",
            data=r["data_fingerprint"][:12],
            n=number(r["n"], 0),
            sd=number(r["residual_sd"], 3),
        )
        + by_day_words(r)
        + ("" if r["converged"] else " " + say("It did NOT converge: do not act on it."))
        for r in data.fits.iter_rows(named=True)
    ]
    closure = say(
        "Rows in {rows}, rejected {rejected}; mass weighed over mass lifted {closure}.",
        rows=number(h["rows_in"], 0),
        rejected=number(h["rows_rejected"], 0),
        closure=number(h["closure"], 2),
    )
    return (*lines, closure)


def _closure(mass_closure: pl.DataFrame, shown: DisplayUnits) -> Table:
    """Return the fields, machines and days whose weighed and lifted masses differ most, five of each."""
    worst = mass_closure.group_by("kind", maintain_order=True).head(5)

    def subject(r: dict[str, Any]) -> str:
        return shown.day(dt.date.fromisoformat(r["subject"])) if r["kind"] == "day" else str(r["subject"])

    return build_table(
        "closure",
        say("mass balance"),
        (
            Column(say("Kind"), lambda r: text_cell(translated(r["kind"]))),
            Column(say("Name"), lambda r: text_cell(subject(r)), numeric=False),
            Column(
                say("Weighed, {t}", t=shown.sign("t")), lambda r: number_cell(shown.convert(r["weighed_t"], "t"), 0)
            ),
            Column(say("Lifted, {t}", t=shown.sign("t")), lambda r: number_cell(shown.convert(r["lifted_t"], "t"), 0)),
            Column(say("Ratio"), lambda r: number_cell(r["closure"], 2)),
            Column(
                say("Difference, {t}", t=shown.sign("t")),
                lambda r: number_cell(shown.convert(r["out_t"], "t"), 0, sign=True),
            ),
        ),
        worst.iter_rows(named=True),
        caption=say(
            "“Difference” is the weighed mass minus the lifted mass times the usual ratio; a lost ticket or log shows "
            "here. The five largest differences of each kind."
        ),
    )


def _sensors(sensors: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    return build_table(
        "sensors",
        say("faulty sensors"),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"])),
            Column(say("Setting"), lambda r: text_cell(setting_label(r["setting"], catalogue)), numeric=False),
            Column(say("Reason"), lambda r: text_cell(say(FAULT_WORDS[r["fault_code"]])), numeric=False),
            Column(say("Records"), lambda r: number_cell(r["records"], 0)),
            Column(say("From"), lambda r: text_cell(shown.moment(r["from_at"])), numeric=False),
            Column(say("To"), lambda r: text_cell(shown.moment(r["to_at"])), numeric=False),
        ),
        sensors.iter_rows(named=True),
        caption=say("These readings are flagged and excluded from the means; the logged values are not changed."),
        marks=lambda r: {"machine": r["machine_id"]},
    )


def _rejected(rejections: pl.DataFrame, catalogue: Catalogue) -> Table:
    return build_table(
        "rejected",
        say("rejected rows"),
        (
            Column(say("File"), lambda r: text_cell(r["file"])),
            Column(say("Rows"), lambda r: number_cell(r["rows"], 0)),
            Column(say("First line"), lambda r: number_cell(r["first_line"], 0)),
            Column(say("Reason"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
            Column(say("Row in the file"), lambda r: text_cell((r["example"] or "")[:90]), numeric=False, wrap=True),
        ),
        rejections.iter_rows(named=True),
        caption=say(
            "The first row of each reason and file; the table rejected_row of the export has every rejected row."
        ),
    )


def _audits(findings: pl.DataFrame, catalogue: Catalogue) -> Table:
    return build_table(
        "audit-findings",
        say("audits that cannot be of their plots"),
        (
            Column(say("File"), lambda r: text_cell(r["file"])),
            Column(say("Finding"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        findings.iter_rows(named=True),
        caption=say(
            "A finding removes no audit: check the plot, the counts and their units in the mapping of the file."
        ),
    )


def _arrived(arrivals: pl.DataFrame) -> Table:
    counts = {
        "files": say("Files"),
        "rows_in": say("Rows in"),
        "rows_accepted": say("Accepted"),
        "rows_rejected": say("Rejected"),
        "rows_repeated": say("Repeated"),
    }
    return build_table(
        "arrival",
        say("files received"),
        (
            Column(say("Kind"), lambda r: text_cell(translated(r["kind"].replace("_", " ")))),
            *(Column(head, figures(key, 0)) for key, head in counts.items()),
        ),
        arrivals.iter_rows(named=True),
        caption=say("Rows in = accepted + rejected + repeated, for every file."),
    )


def faulty(machine_faults: pl.DataFrame, catalogue: Catalogue) -> str:
    """Return the persistent faults of each machine in one line; isolated bad readings are only in the table."""
    parts = [
        f"{isolated(r['machine_id'])}: {say(FAULT_WORDS[r['fault_code']])}"
        + ("" if r["fault_code"] in WITHOUT_SETTING else f" ({setting_label(r['setting'], catalogue)})")
        for r in machine_faults.iter_rows(named=True)
    ]
    return "; ".join(parts)


def health_line(h: dict[str, Any]) -> str:
    """Return a one-line summary of data quality from the row of `data_health`."""
    share = 100 * (h["rows_rejected"] or 0) / max(h["rows_in"] or 1, 1)
    return say(
        "{loads} loads, {measured} measured; mean trace quality {quality} of 1; weighed mass over lifted mass "
        "{closure}; {rejected} of {rows} rows rejected ({share} %).",
        loads=number(h["loads"], 0),
        measured=number(h["measured"], 0),
        quality=number(h["trace_quality"], 2),
        closure=number(h["closure"], 2),
        rejected=number(h["rows_rejected"], 0),
        rows=number(h["rows_in"], 0),
        share=number(share, 3),
    )


def health_section(data: HealthData, catalogue: Catalogue, shown: DisplayUnits) -> Section:
    """Return the section on received files, rejected rows, mass balance and faulty sensors."""
    wrong = faulty(data.machine_faults, catalogue)
    inside: list[Any] = []
    if wrong:
        inside.append(Prose(say("Faulty sensors and clocks: {faults}.", faults=wrong)))
    inside += [Prose(text) for text in offset_lines(data.clock_offsets)]
    tables = (
        _audits(data.audit_findings, catalogue),
        _arrived(data.arrivals),
        _rejected(data.rejections, catalogue),
        _closure(data.mass_closure, shown),
        _sensors(data.sensors, catalogue, shown),
    )
    inside += [
        Fold(say_n("{what}: {n} row", "{what}: {n} rows", len(t.rows), what=t.name), (t,)) for t in tables if t.rows
    ]
    summary = health_line(data.counts)
    if questioned := data.audit_findings.height:
        summary += " " + say_n("{n} finding on root loss audits.", "{n} findings on root loss audits.", questioned)
    return Section("arrived", say("Data received and its quality"), (Fold(summary, tuple(inside)),))


def season_line(name: str, shown: DisplayUnits, day: dt.date | None) -> str:
    """Return the line below a page's heading: season, last day and time zone."""
    if day is None:
        return say("{season} · times are {zone}", season=name, zone=shown.zone)
    return say(
        "{season} · loads up to {day} · times are {zone}",
        season=name,
        day=local_date(day, "yMMMEd"),
        zone=shown.zone,
    )
