"""A grower's own sheet: own loads against what was expected of them, and an unnamed fleet. Nobody else's data reach it.

`grower_data` separates each grower's rows and rounds every value that rests on others, under the rules of
`transforms/benchmark/disclosure.py`, before a page, chart, workbook or PDF is made. Means of expected values are
calculated from the rounded ones, so that no second rounding of the same value narrows it down.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from reports.charts.own_loads import own_loads
from reports.charts.share_bars import share_bars
from reports.language.display_units import NOTHING, Shown, number
from reports.language.labels import capital, mean_interval
from reports.language.place_messages import reason_words
from reports.language.translate import mark, say, say_n, speaking, translate_stored
from reports.page.formats import HTML, Forms
from reports.page.html import write_page
from reports.page.model import Column, Figure, Page, Prose, Row, Section, Table, figure, spanned, words
from reports.page.theme import local
from reports.sections.grower_place import place_block
from transforms.benchmark.disclosure import (
    TOO_FAR_APART,
    base_step,
    mean_sensitivity,
    rounded,
    step_for,
    withheld_from,
)
from transforms.benchmark.own_view import OwnView, own_view
from transforms.config.settings_catalogue import DIRT
from transforms.config.workspace import Season
from transforms.contracts.naming import safe_name
from transforms.storage.warehouse import Warehouse

WHY_KINDS = {
    "condition": mark("conditions"),
    "setting": mark("the machines' settings"),
    "field": mark("the fields' own level"),
    "shared": mark("machines, days, other"),
}
STEP = base_step(DIRT)


@dataclass(frozen=True)
class GrowerData:
    """All that one sheet is made from; every value that rests on others is rounded.

    Attributes:
        grower: the grower's id.
        total: the grower's season.
        loads: own loads.
        fields: own fields.
        why: what each kind of source adds to own loads.
        place: own view of the comparison of growers; None where not in it.
        expected_reason: reason code if expected values are withheld.
        why_reason: reason code if `why` is withheld.
        footer: run of each fit.
    """

    grower: str
    total: dict[str, Any]
    loads: pl.DataFrame
    fields: pl.DataFrame
    why: pl.DataFrame
    place: OwnView | None
    expected_reason: str | None
    why_reason: str | None
    footer: tuple[str, ...]


def _footer(warehouse: Warehouse) -> tuple[str, ...]:
    """Return the run of each fit, without counts, fingerprint and closure: those rest on all rows of all growers."""
    return tuple(
        say("Fit of {response}: run {run}.", response=r["response"], run=f"{r['fitted_at']:%Y%m%dT%H%M%SZ}")
        + ("" if r["converged"] else " " + say("It did NOT settle: do not act on it."))
        for r in warehouse.table("fit_run").sort("response").iter_rows(named=True)
    )


def _to_step(column: str, step: float) -> pl.Expr:
    return pl.col(column).map_elements(lambda v: rounded(v, step), return_dtype=pl.Float64)


def _why_step(totals: pl.DataFrame) -> float | None:
    """Return the step that hides any one grower's part in the season's typical load; None if there is none."""
    known = totals.filter(pl.col("observed_pct").is_finite())
    means = np.asarray(known["observed_pct"].to_numpy(), dtype=np.float64)
    return step_for(mean_sensitivity(means, np.asarray(known["measured"].to_numpy(), dtype=np.float64)), STEP)


def _with_expected(
    total: dict[str, Any], loads: pl.DataFrame, fields: pl.DataFrame
) -> tuple[dict[str, Any], pl.DataFrame]:
    """Return a grower's season and fields with means of the loads' rounded expected values."""
    means = loads.group_by("field_id", maintain_order=True).agg(pl.col("expected_pct").mean())
    fields = fields.join(means, on="field_id", how="left", maintain_order="left").with_columns(
        _to_step("expected_pct", STEP)
    )
    known = loads["expected_pct"].drop_nulls()
    mean = float(known.sum()) / known.len() if known.len() else None
    return {**total, "expected_pct": rounded(mean, STEP)}, fields


def grower_data(warehouse: Warehouse, season: Season) -> Iterator[GrowerData]:
    """Yield each grower's own data."""
    with speaking(season.locale, season.texts):
        ending = _footer(warehouse)
    of_others = ["expected_pct", "lo95", "hi95"]
    columns = ["load_id", "field_id", "shift_date", "lifted_at", "gross_t", "observed_pct", *of_others, "wetness_class"]
    loads = warehouse.query("season_load").select("grower_id", *columns).drop_nulls("grower_id")
    loads = loads.with_columns(_to_step(c, STEP) for c in of_others)
    sources = {"loads": loads, "fields": warehouse.query("grower_field"), "why": warehouse.query("grower_why")}
    parts = {n: f.partition_by("grower_id", as_dict=True, include_key=False) for n, f in sources.items()}
    compared = warehouse.table("benchmark").filter((pl.col("subject_kind") == "grower") & (pl.col("response") == DIRT))
    totals = warehouse.query("grower_total")
    measured = dict(totals.select("grower_id", "measured").iter_rows())
    why_step = _why_step(totals)
    empty = pl.DataFrame(schema={"kind": pl.String, "points": pl.Float64, "n": pl.Int64})
    for total in totals.iter_rows(named=True):
        grower, key = total["grower_id"], (total["grower_id"],)
        reason = withheld_from(grower, measured)
        why_reason = reason or (None if why_step is not None else TOO_FAR_APART)
        own = parts["loads"][key]
        if reason is not None:
            own = own.with_columns(pl.lit(None, pl.Float64).alias(c) for c in of_others)
        own_total, own_fields = _with_expected(total, own, parts["fields"][key])
        why = parts["why"].get(key, empty) if why_reason is None else empty
        yield GrowerData(
            grower,
            own_total,
            own,
            own_fields,
            why.with_columns(_to_step("points", why_step or STEP)),
            own_view(compared, grower) if grower in compared["subject_id"] else None,
            reason,
            why_reason,
            ending,
        )


def lead(data: GrowerData, shown: Shown) -> str:
    """Return how the grower's loads compare, in a sentence or two."""
    t = data.total
    first = say_n("{n} load, {mass}.", "{n} loads, {mass}.", t["loads"], mass=shown.quantity(t["gross_t"], "t"))
    if t["observed_pct"] is None:
        return first + " " + say("None is measured yet.")
    span = mean_interval(t["observed_pct"], t["observed_half"])
    if t["expected_pct"] is None:
        held = say(
            "Those measured (n = {n}) held {observed} % dirt ({span}).",
            n=number(t["measured"], 0),
            observed=number(t["observed_pct"]),
            span=span,
        )
        return f"{first} {held}{_withheld(data.expected_reason)}"
    over = round(t["observed_pct"], 1) - t["expected_pct"]
    told_of = say(
        "Those measured (n = {n}) held {observed} % dirt ({span}); {expected} % was expected for their soil, crop and "
        "weather: {over} points over.",
        n=number(t["measured"], 0),
        observed=number(t["observed_pct"]),
        span=span,
        expected=number(t["expected_pct"]),
        over=number(over, 1, sign=True),
    )
    return f"{first} {told_of}"


def _withheld(reason_code: str | None) -> str:
    """Return the sentence that says why nothing expected is shown, after a space; empty without a reason."""
    if reason_code is None:
        return ""
    return " " + say("No expected value is shown: {reason}.", reason=reason_words(reason_code))


def loads_finding(loads: pl.DataFrame, reason_code: str | None = None) -> str:
    """Return how many own loads held more dirt than was expected of them."""
    known = loads.drop_nulls(["observed_pct", "expected_pct"])
    measured = loads["observed_pct"].drop_nulls().len()
    if not measured:
        return say("No load is measured yet.")
    if not known.height:
        return say_n("{n} load is measured.", "{n} loads are measured.", measured) + _withheld(reason_code)
    above = known.filter(pl.col("observed_pct") > pl.col("expected_pct")).height
    return say(
        "{above} of {n} measured loads held more dirt than was expected of them, {below} no more.",
        above=above,
        n=known.height,
        below=known.height - above,
    )


def _loads(data: GrowerData, shown: Shown) -> Figure:
    known = local(data.loads.drop_nulls("observed_pct"), shown.zone, "lifted_at")
    table = Table(
        "own-loads",
        say("each load"),
        (
            Column(say("Load")),
            Column(say("Shift"), numeric=False),
            Column(say("Field"), numeric=False),
            Column(say("Topsoil"), numeric=False),
            Column(say("Gross, {t}", t=shown.sign("t"))),
            Column(say("Dirt observed, %")),
            Column(say("Dirt expected, %")),
        ),
        tuple(
            Row(
                (
                    words(r["load_id"]),
                    words(shown.day(r["shift_date"])),
                    words(r["field_id"]),
                    words(translate_stored(r["wetness_class"] or NOTHING)),
                    figure(shown.convert(r["gross_t"], "t"), 2),
                    figure(r["observed_pct"]),
                    figure(r["expected_pct"], 1, r["lo95"], r["hi95"]),
                )
            )
            for r in data.loads.iter_rows(named=True)
        ),
        say("Brackets: 95 % interval of what is expected, not of a single load."),
    )
    reading = say(
        "Dots: your loads. Grey: what is expected of such loads at the fleet's usual settings, with its 95 % interval."
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


def why_finding(why: pl.DataFrame, reason_code: str | None = None) -> str:
    """Return what sets the grower's loads apart from the season's typical load."""
    if reason_code is not None:
        return say("What set your loads apart is not shown: {reason}.", reason=reason_words(reason_code))
    if not why.height:
        return say("What set your loads apart is not known yet.")
    total = round(float(why["points"].sum()), 1)
    parts = [
        say("{kind} {points}", kind=say(WHY_KINDS[r["kind"]]), points=number(r["points"], 1, sign=True))
        for r in why.head(3).iter_rows(named=True)
    ]
    return say(
        "On average your loads held {total} points against the season's typical load: {parts}.",
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
    table = Table(
        "why-table",
        say("why"),
        (Column(say("Source")), Column(say("Points")), Column(say("n loads"))),
        tuple(
            Row((words(n), figure(r["points"], 1, sign=True), figure(r["n"], 0)))
            for n, r in zip(labels, data.why.iter_rows(named=True), strict=True)
        ),
        say(
            "Means over your measured loads; they add up to the whole. Settings are those of the machines that came "
            "to you."
        ),
    )
    title = say("points of dirt tare")
    chart = share_bars(drawn, title, say("What set your loads apart, by kind of source.")) if labels else None
    return Figure("why", why_finding(data.why, data.why_reason), "", chart, say("What set your loads apart"), table)


def _loss(t_ha: float | None, shown: Shown) -> float | None:
    return None if t_ha is None else shown.convert(t_ha, "t/ha")


def _fields(data: GrowerData, shown: Shown) -> Table:
    return Table(
        "fields",
        say("each field"),
        (
            Column(say("Field")),
            Column(say("Loads")),
            Column(say("Gross, {t}", t=shown.sign("t"))),
            Column(say("n measured")),
            Column(say("Dirt observed, %")),
            Column(say("Dirt expected, %")),
            Column(say("Root loss, {unit}", unit=shown.sign("t/ha"))),
            Column(say("n dug")),
        ),
        tuple(
            Row(
                (
                    words(r["field_id"]),
                    figure(r["loads"], 0),
                    figure(shown.convert(r["gross_t"], "t"), 0),
                    figure(r["measured"], 0),
                    spanned(r["observed_pct"], r["observed_half"]),
                    figure(r["expected_pct"]),
                    spanned(_loss(r["root_loss_t_ha"], shown), _loss(r["root_loss_half"], shown)),
                    figure(r["plots"], 0),
                )
            )
            for r in data.fields.iter_rows(named=True)
        ),
        say(
            "Means; brackets are 95 % intervals with visits (machine and day) as the sample, none with fewer than two "
            "visits; n is the loads measured or plots dug."
        ),
    )


def grower_page(data: GrowerData, season: Season) -> Page:
    """Return one grower's sheet."""
    shown = Shown(season.units, season.currency, season.time_zone)
    when = say(
        "{season} · up to the shift of {day} · your own loads; of other growers only rounded marks",
        season=season.name,
        day=shown.day(data.total["last_day"]),
    )
    reading = say(
        "Expected dirt allows for soil, crop and weather, so that a wet field is not held against anybody. "
        "What is left may be the machine that came, its settings, or what nobody logs: an association, not "
        "a verdict."
    )
    return Page(
        say("Your season: grower {grower}", grower=data.grower),
        when,
        lead(data, shown),
        None,
        (
            Section("loads", say("Your loads"), (_loads(data, shown), Prose(reading))),
            Section("own-why", say("What set them apart"), (_why(data),)),
            Section("own-place", say("You and the others"), (place_block(data.place),)),
            Section("own-fields", say("Your fields"), (_fields(data, shown),)),
        ),
        data.footer,
        static=True,
    )


def sheet_name(grower: str) -> str:
    """Return a grower's file name: ids are untrusted text."""
    return f"grower-{safe_name(grower)}"


def write_grower_sheet(data: GrowerData, season: Season, out: Path, forms: Forms = HTML) -> list[Path]:
    """Write one grower's sheet into `out` and return its paths."""
    with speaking(season.locale, season.texts):
        return write_page(grower_page(data, season), out / f"{sheet_name(data.grower)}.html", forms)
