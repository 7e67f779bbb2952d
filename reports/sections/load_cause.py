"""Answer of the load page: dirt compared with its expected value, main reason, and the sources of the difference."""

from typing import Any

import polars as pl

from reports.charts.load_contributions import load_contributions
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, interval, setting_label, source_label
from reports.language.precision import setting_value
from reports.language.trace_words import trace_word
from reports.language.translate import mark, say, translated
from reports.page.model import Figure, Section
from reports.page.summary import Strip, Tile, Tiles, Tone
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from transforms.config.settings_catalogue import Catalogue
from transforms.model.specification import MIN_TRACE_QUALITY
from transforms.operations.load_dirt import LoadDirt

LABELS = {
    "field": mark("field, on all its days"),
    "machine": mark("machine, beyond its settings"),
    "machine_day": mark("machine, on this day"),
    "operator": mark("operator"),
    "site_day": mark("factory, on this day"),
    "season": mark("season"),
    "lab and unexplained": mark("sampling error, unexplained"),
}
"""Source -> label: the expected value already contains the field's own effect."""
UNEXPLAINED = "unexplained"
POOR_BELOW = 0.6


def excess(dirt: LoadDirt) -> float | None:
    """Return observed less expected dirt as shown, in points; None if either is unknown."""
    if dirt.observed_pct is None or dirt.expected_pct is None:
        return None
    return round(round(dirt.observed_pct, 1) - round(dirt.expected_pct, 1), 1)


def is_as_expected(dirt: LoadDirt) -> bool:
    """Return True if the observed dirt lies in the likely range of the expected value, or differs by less than 0.1."""
    if dirt.observed_pct is None or dirt.lo95 is None or dirt.hi95 is None:
        return False
    return dirt.lo95 <= dirt.observed_pct <= dirt.hi95 or excess(dirt) == 0


def load_title(load_id: str, dirt: LoadDirt) -> str:
    """Return the heading: the load's dirt and its difference from the expected value."""
    over = excess(dirt)
    if dirt.observed_pct is None:
        return say("Load {load}: dirt not measured", load=load_id)
    observed = number(dirt.observed_pct)
    if over is None:
        return say("Load {load}: {observed} % dirt", load=load_id, observed=observed)
    if is_as_expected(dirt):
        return say("Load {load}: {observed} % dirt, about as expected", load=load_id, observed=observed)
    if over > 0:
        return say(
            "Load {load}: {observed} % dirt, {over} points more than expected",
            load=load_id,
            observed=observed,
            over=number(over),
        )
    return say(
        "Load {load}: {observed} % dirt, {over} points less than expected",
        load=load_id,
        observed=observed,
        over=number(-over),
    )


def _label(source: str, catalogue: Catalogue) -> str:
    return say(LABELS[source]) if source in LABELS else source_label(source, catalogue)


def _setting_cause(name: str, dirt: LoadDirt, catalogue: Catalogue) -> str:
    """Return a setting with its direction from the usual value, if it differs by at least half a step."""
    label, setting = setting_label(name, catalogue), catalogue[name]
    row = next(dirt.settings.filter(pl.col("setting") == name).iter_rows(named=True), None)
    if row is None or row["usual"] is None or abs(row["value"] - row["usual"]) < setting.step / 2:
        return label
    way = translated(setting.up if row["value"] > row["usual"] else setting.down)
    return say("{setting} {way} than usual", setting=label, way=way)


def _cause(row: dict[str, Any], dirt: LoadDirt, catalogue: Catalogue) -> str:
    source = row["source"]
    words = _setting_cause(source, dirt, catalogue) if source in catalogue else _label(source, catalogue)
    return say("{cause} ({points} points)", cause=words, points=number(row["points"], 1, sign=True))


def main_reason(dirt: LoadDirt, catalogue: Catalogue) -> str:
    """Return one sentence on the main reason for the difference from the expected value."""
    over = excess(dirt)
    if dirt.observed_pct is None:
        return say("No sample of this load has arrived from the laboratory.")
    if over is None:
        return say("No expected value: the trace is too poor, or the model has not used this load yet.")
    if is_as_expected(dirt):
        return say("Its conditions and its field explain its dirt.")
    side = dirt.sources.filter(pl.col("points") * over > 0).head(2)
    if not side.height:
        return say("The reason is not known.")
    first, *others = side.iter_rows(named=True)
    if first["kind"] == UNEXPLAINED and others:
        return say(
            "Mostly: {cause}; then: {other}.",
            cause=_cause(first, dirt, catalogue),
            other=_cause(others[0], dirt, catalogue),
        )
    return say("Mostly: {cause}.", cause=_cause(first, dirt, catalogue))


def _percent(value: float | None) -> str:
    return NO_VALUE if value is None else say("{value} %", value=number(value))


def load_tiles(dirt: LoadDirt, quality: float | None) -> Tiles:
    """Return the tiles: dirt observed, dirt expected with its likely range, and quality of the trace in a word."""
    over = excess(dirt)
    differs = over is not None and not is_as_expected(dirt)
    tone: Tone = "plain" if not differs or over is None else "worse" if over > 0 else "better"
    word = say("less than expected") if tone == "better" else say("more than expected") if tone == "worse" else ""
    observed = Tile(
        say("Dirt observed"),
        _percent(dirt.observed_pct),
        word=word,
        arrow="none" if tone == "plain" else "up" if tone == "worse" else "down",
        tone=tone,
    )
    expected = Tile(
        say("Dirt expected"),
        _percent(dirt.expected_pct),
        word=say("likely {span} %", span=interval(dirt.lo95, dirt.hi95, 1)) if dirt.lo95 is not None else "",
    )
    return Tiles((observed, expected, Tile(say("Trace to its minutes"), trace_word(quality))))


def trace_strip(quality: float | None) -> Strip | None:
    """Return a caution if the trace is poor; None otherwise."""
    if quality is None or quality >= POOR_BELOW:
        return None
    if quality < MIN_TRACE_QUALITY:
        return Strip(say("The trace is too poor to count: machine and minutes may be wrong."))
    return Strip(say("The trace is poor: machine, minutes and reasons may be wrong."))


def _table(dirt: LoadDirt, sources: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    values = sources.join(dirt.settings, left_on="source", right_on="setting", how="left", maintain_order="left")

    def setting_cell(r: dict[str, Any], column: str) -> Any:
        known = r["source"] in catalogue and r[column] is not None
        return text_cell(setting_value(r[column], catalogue[r["source"]], shown) if known else None)

    return build_table(
        "why-table",
        say("reasons"),
        (
            Column(say("Source"), lambda r: text_cell(capital(r["label"]))),
            Column(say("Points"), lambda r: number_cell(r["points"], 1, sign=True)),
            Column(say("Set to, mean"), lambda r: setting_cell(r, "value")),
            Column(say("Usual, mean of all loads"), lambda r: setting_cell(r, "usual")),
        ),
        values.iter_rows(named=True),
        caption=say("Percentage points of dirt tare; they add up to the difference from the expected value."),
    )


def cause_section(load_id: str, dirt: LoadDirt, catalogue: Catalogue, shown: DisplayUnits) -> Section | None:
    """Return the section on the sources of the difference; None without an expected value."""
    over = excess(dirt)
    if over is None or not dirt.sources.height:
        return None
    sources = dirt.sources.with_columns(
        pl.col("source").map_elements(lambda s: _label(s, catalogue), return_dtype=pl.String).alias("label")
    )
    finding = say(
        "The bars add up to {over} points: observed {observed} %, expected {expected} %.",
        over=number(over, 1, sign=True),
        observed=number(dirt.observed_pct),
        expected=number(dirt.expected_pct),
    )
    reading = say("Right: more dirt than usual. Left: less. Conditions and the field are in the expected value.")
    chart = Figure(
        "why",
        finding,
        reading,
        load_contributions(sources),
        say("Reasons for the difference of load {load} from its expected dirt, in points", load=load_id),
        _table(dirt, sources, catalogue, shown),
    )
    return Section("causes", say("Reasons for the difference"), (chart,))
