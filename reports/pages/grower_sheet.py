"""A grower's own sheet: what to do, what it is worth, own loads over expected values, rounded marks of all.

The sheet is made from `GrowerData` alone, which contains no data of other growers (`reports/pages/grower_data.py`).
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from reports.charts.own_loads import own_loads
from reports.charts.share_bars import sheet_bars
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, mean_interval
from reports.language.reason_text import format_reason
from reports.language.translate import mark, say, say_n, translated, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.model import Figure, Fold, Page, Prose, Section
from reports.page.tables import Column, Table, build_table, few_cell, mean_cell, number_cell, text_cell
from reports.page.theme import FEW, local
from reports.pages.grower_data import GrowerData
from reports.sections.grower_answer import action_section, answer_title, worth_section
from reports.sections.grower_place import place_block, standing
from reports.sections.grower_uptake import uptake_section
from transforms.advice.own_soil import fields_above_expected
from transforms.config.workspace import Season
from transforms.contracts.naming import safe_name
from transforms.contracts.reason import Reason

WHY_KINDS = {
    "condition": mark("conditions"),
    "setting": mark("the machines' settings"),
    "field": mark("the fields' own effect"),
    "shared": mark("machines, days, other"),
}


def lead(data: GrowerData) -> str:
    """Return one or two sentences that compare the grower's dirt with its expected value and with other growers."""
    t = data.total
    if t["observed_pct"] is None:
        return say_n("{n} load, none is measured yet.", "{n} loads, none is measured yet.", t["loads"])
    observed = number(t["observed_pct"])
    if t["expected_pct"] is None:
        return say("Your loads held {observed} % dirt.", observed=observed) + _withheld(data.expected_reason)
    compared = say(
        "Your loads held {observed} % dirt; {expected} % was expected for their soil, crop and weather.",
        observed=observed,
        expected=number(t["expected_pct"]),
    )
    where = standing(data.place)
    if where is None:
        return compared
    return f"{compared} " + say("Allowing for conditions and settings: {standing}.", standing=where)


def _withheld(why: Reason | None) -> str:
    """Return a space and the reason for withholding expected values; empty without a reason."""
    if why is None:
        return ""
    return " " + say("No expected value is shown: {reason}.", reason=format_reason(why))


def loads_finding(loads: pl.DataFrame, withheld: Reason | None = None) -> str:
    """Return a sentence on the number of own loads with more dirt than expected."""
    known = loads.drop_nulls(["observed_pct", "expected_pct"])
    measured = loads["observed_pct"].drop_nulls().len()
    if not measured:
        return say("No load is measured yet.")
    if not known.height:
        return say_n("{n} load is measured.", "{n} loads are measured.", measured) + _withheld(withheld)
    above = known.filter(pl.col("observed_pct") > pl.col("expected_pct")).height
    return say(
        "{above} of {n} measured loads held more dirt than was expected, {below} did not.",
        above=above,
        n=known.height,
        below=known.height - above,
    )


def _loads(data: GrowerData, shown: DisplayUnits) -> Figure:
    known = local(data.loads.drop_nulls("observed_pct"), shown.zone, "lifted_at")
    table = build_table(
        "own-loads",
        say("each load"),
        (
            Column(say("Load"), lambda r: text_cell(r["load_id"])),
            Column(say("Shift"), lambda r: text_cell(shown.day(r["shift_date"])), numeric=False),
            Column(say("Field"), lambda r: text_cell(r["field_id"]), numeric=False),
            Column(say("Topsoil"), lambda r: text_cell(translated(r["wetness_class"] or NO_VALUE)), numeric=False),
            Column(
                say("Delivered (with soil), {t}", t=shown.sign("t")),
                lambda r: number_cell(shown.convert(r["delivered_t"], "t"), 2),
            ),
            Column(say("Dirt observed, %"), lambda r: number_cell(r["observed_pct"])),
            Column(say("Dirt expected, %"), lambda r: number_cell(r["expected_pct"], 1, r["lo95"], r["hi95"])),
        ),
        data.loads.iter_rows(named=True),
        caption=say("Brackets: 95 % interval of the expected mean, not of a single load."),
    )
    reading = say(
        "Dots: your loads. Grey: the value expected for such loads at the fleet's usual settings, with 95 % interval."
    )
    chart = (
        own_loads(known.select("lifted_at", "load_id", "observed_pct", "expected_pct", "lo95", "hi95"))
        if known.height
        else None
    )
    if data.expected_reason is not None:
        reading = say("Dots: your loads.")
    finding = loads_finding(data.loads, data.expected_reason)
    return Figure("loads-chart", finding, reading, chart, say("Your loads through the season"), table)


def why_finding(why: pl.DataFrame, withheld: Reason | None = None) -> str:
    """Return a sentence on the sources of the difference between the grower's loads and the typical load."""
    if withheld is not None:
        return say("The causes of the difference are not shown: {reason}.", reason=format_reason(withheld))
    if not why.height:
        return say("The causes of the difference are not known yet.")
    total = round(float(why["points"].sum()), 1)
    parts = [
        say("{kind} {points}", kind=say(WHY_KINDS[r["kind"]]), points=number(r["points"], 1, sign=True))
        for r in why.filter(pl.col("points") != 0).head(3).iter_rows(named=True)
    ]
    if not parts:
        return say("On average your loads did not differ from the season's typical load.")
    return say(
        "On average your loads differed by {total} points from the season's typical load: {parts}.",
        total=number(total, 1, sign=True),
        parts=", ".join(parts),
    )


def _why(data: GrowerData) -> Figure:
    labels = [capital(say(WHY_KINDS[k])) for k in data.why["kind"]]
    drawn = data.why.select(
        pl.Series("label", labels, dtype=pl.String),
        pl.col("points").alias("value"),
        pl.lit(None, pl.Float64).alias("lo"),
        pl.lit(None, pl.Float64).alias("hi"),
    )
    table = build_table(
        "why-table",
        say("causes"),
        (
            Column(say("Source"), lambda r: text_cell(r["label"])),
            Column(say("Points"), lambda r: number_cell(r["points"], 1, sign=True)),
            Column(say("n loads"), lambda r: number_cell(r["n"], 0)),
        ),
        data.why.with_columns(pl.Series("label", labels, dtype=pl.String)).iter_rows(named=True),
        caption=say(
            "Means over your measured loads; they add up to the difference. Settings are those of the machines that "
            "worked for you."
        ),
    )
    title = say("points of dirt tare")
    chart = (
        sheet_bars(drawn, title, say("Difference of your loads from the typical load, by kind of source."))
        if labels
        else None
    )
    return Figure(
        "why",
        why_finding(data.why, data.why_reason),
        "",
        chart,
        say("Difference of your loads from the typical load"),
        table,
    )


def _loss(t_ha: float | None, shown: DisplayUnits) -> float | None:
    return None if t_ha is None else shown.convert(t_ha, "t/ha")


def _fields(data: GrowerData, shown: DisplayUnits) -> Table:
    return build_table(
        "fields",
        say("each field"),
        (
            Column(say("Field"), lambda r: text_cell(r["field_id"])),
            Column(say("Loads"), lambda r: number_cell(r["loads"], 0)),
            Column(
                say("Delivered (with soil), {t}", t=shown.sign("t")),
                lambda r: number_cell(shown.convert(r["delivered_t"], "t"), 0),
            ),
            Column(say("n measured"), lambda r: number_cell(r["measured"], 0)),
            Column(
                say("Dirt observed, %"),
                lambda r: few_cell(
                    mean_cell(r["observed_pct"], r["observed_half"]), r["measured"], FEW, say("few loads")
                ),
            ),
            Column(say("Dirt expected, %"), lambda r: number_cell(r["expected_pct"])),
            Column(
                say("Root loss, {unit}", unit=shown.sign("t/ha")),
                lambda r: few_cell(
                    mean_cell(_loss(r["root_loss_t_ha"], shown), _loss(r["root_loss_half"], shown)),
                    r["plots"],
                    FEW,
                    say("few plots"),
                ),
            ),
            Column(say("n dug"), lambda r: number_cell(r["plots"], 0)),
        ),
        data.fields.iter_rows(named=True),
        caption=say(
            "Means; brackets are 95 % intervals with visits (machine and day) as sampling units, none with fewer than "
            "two visits; n is the number of loads measured or plots dug."
        ),
    )


def _mean(total: dict[str, Any]) -> str:
    """Return the mean dirt of the grower's measured loads with n and interval; empty if none is measured."""
    if total["observed_pct"] is None:
        return ""
    mean = say(
        "Mean of your measured loads (n = {n}): {observed} % dirt ({span}).",
        n=number(total["measured"], 0),
        observed=number(total["observed_pct"]),
        span=mean_interval(total["observed_pct"], total["observed_half"]),
    )
    return mean if total["measured"] >= FEW else f"{mean} " + say("These are few loads.")


def grower_page(data: GrowerData, season: Season) -> Page:
    """Return one grower's sheet."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    when = say(
        "Grower {grower} · {season} · up to the shift of {day}",
        grower=data.grower,
        season=season.name,
        day=shown.day(data.total["last_day"]),
    )
    reading = say(
        "Expected dirt allows for soil, crop and weather, so nobody is blamed for a wet field. The remaining "
        "difference may be due to the machine, its settings, or something that nobody records: an association, "
        "not a verdict."
    )
    dirty = fields_above_expected(data.fields, season.prices)
    blocks = (_loads(data, shown), *((Prose(mean),) if (mean := _mean(data.total)) else ()), Prose(reading))
    fold = Fold(say("Each field"), (_fields(data, shown),))
    return Page(
        answer_title(data.total, dirty),
        when,
        lead(data),
        None,
        (
            action_section(data.total, dirty, season, shown),
            worth_section(data.total, season, shown),
            Section("loads", say("Your loads"), (*blocks, fold)),
            Section("own-why", say("Why they differed"), (_why(data),)),
            *(() if data.uptake is None else (uptake_section(data.uptake, data.expected_reason, shown),)),
            Section("own-place", say("You and the others"), (place_block(data.place),)),
        ),
        (say("Your own loads; only rounded marks of other growers."), *data.footer),
        static=True,
        name=say("Your season: grower {grower}", grower=data.grower),
    )


def sheet_name(grower: str) -> str:
    """Return a safe file name for a grower's sheet, because ids are untrusted text."""
    return f"grower-{safe_name(grower)}"


def write_grower_sheet(data: GrowerData, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write one grower's sheet into `out` and return its paths."""
    with use_language(season.locale, season.texts):
        return write_page(grower_page(data, season), out / f"{sheet_name(data.grower)}.html", formats)


@dataclass(frozen=True)
class SheetJob:
    """A grower's sheet to write: its data, the season, the folder and the formats besides HTML."""

    data: GrowerData
    season: Season
    out: Path
    formats: OutputFormats


def write_sheet_job(job: SheetJob) -> list[Path]:
    """Write a sheet and return its paths."""
    return write_grower_sheet(job.data, job.season, job.out, job.formats)
