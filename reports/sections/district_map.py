"""District map with its finding sentence: fields dirtier and cleaner than expected, machines and factories.

Usage: a page's data module calls `load_district_map(warehouse, season, shift)` (`district_map_data.py`; no shift for
the season), and the page puts `district_map(data, shown, title)` into a section like any other block. With
`link=lambda field: loads_link(field=field)`, each field leads to its loads; give a link only on pages that hold a list
of loads with the mark `field`, or as `loads_link("season-loads.html", field=field)`. A page may hold the map of a shift
and that of the season together. The map names fields and machines, so it is for managers, not for growers. The block
needs no network and no chart library, renders in HTML, PDF and workbook, and without data says in words what is
missing.
"""

from collections.abc import Callable
from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.translate import say, say_n
from reports.page.district_map import DistrictMap
from reports.page.map_frame import MAX_ENLARGED
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.page.theme import FEW
from reports.sections.district_drawing import MAX_REACH_KM, Drawn, draw_district, measured_fields
from reports.sections.district_map_data import DistrictMapData
from reports.sections.few_loads import pale_words

MIN_CLUSTERS = 3
"""Minimum visits (hours in a shift) for an interval to be stated."""
CHANCE = 0.05
"""Share of 95 % intervals that are clear of zero although nothing differs."""

Link = Callable[[str], str]


def district_map(
    data: DistrictMapData, shown: DisplayUnits, title: str, link: Link | None = None, *, is_small: bool = False
) -> DistrictMap:
    """Return the map of a shift or of the season with its finding, numbers, and sentences on missing data.

    Fields with fewer than `FEW` measured loads are pale and are not counted in the finding.

    Args:
        data: fields, machines and factories.
        shown: units and time zone.
        title: name of the map, for screen readers and its table.
        link: function from a field to the link to its loads; None for no links.
        is_small: True for a small map below the answer of a page.
    """
    is_season = data.shift is None
    name = "district-map-season" if is_season else "district-map-shift"
    drawn = draw_district(data, shown, field_line, is_small=is_small)
    pale, marks = _reading(drawn)
    fields = judged(data.fields)
    if is_small and not (data.fields["n"].fill_null(0) >= FEW).any():
        pale = ""  # the finding says that every field has few loads
    notes = [*_rule(fields, is_season=is_season), *_missing(data, drawn, fields)]
    tables = []
    if fields.height:
        tables.append(_field_table(f"{name}-fields", title, fields, link, is_season=is_season))
    if data.machines.height:
        tables.append(_machine_table(f"{name}-machines", title, data.machines, shown))
    return DistrictMap(
        name,
        title,
        _finding(fields, data),
        pale if is_small else f"{pale} {marks}".strip(),
        (*((marks,) if is_small and marks else ()), *notes),
        drawn.drawing,
        tuple(tables),
        is_small,
    )


def judged(fields: pl.DataFrame) -> pl.DataFrame:
    """Return the measured fields with `lo95` and `hi95` of their difference, and `standing`.

    The standing is dirtier or cleaner if the interval is clear of zero, else unclear. It is null with fewer than `FEW`
    measured loads; it and the interval are null with fewer than `MIN_CLUSTERS` visits (hours in a shift).

    Args:
        fields: rows of `map_field`.
    """
    has_interval = (pl.col("n_clusters") >= MIN_CLUSTERS) & pl.col("difference_half").is_not_null()
    half = pl.when(has_interval).then("difference_half")
    return (
        measured_fields(fields)
        .with_columns(
            (pl.col("difference_pct") - half).alias("lo95"),
            (pl.col("difference_pct") + half).alias("hi95"),
        )
        .with_columns(
            pl.when(pl.col("n") < FEW)
            .then(None)
            .when(pl.col("lo95") > 0)
            .then(pl.lit("dirtier"))
            .when(pl.col("hi95") < 0)
            .then(pl.lit("cleaner"))
            .when(pl.col("lo95").is_not_null())
            .then(pl.lit("unclear"))
            .alias("standing")
        )
    )


def field_line(row: dict[str, Any]) -> str:
    """Return the name and numbers of a field in one line, from a row of `map_field`."""
    if not row["n"] or row["difference_pct"] is None:
        return say("{field}: no measured load", field=row["field_id"])
    difference, half = row["difference_pct"], row["difference_half"]
    few = ", " + say("few loads") if row["n"] < FEW else ""
    values = {
        "field": row["field_id"],
        "difference": number(difference, sign=True),
        "observed": number(row["observed_pct"]),
        "expected": number(row["expected_pct"]),
        "n": number(row["n"], 0),
    }
    if half is None or row["n_clusters"] < MIN_CLUSTERS:
        return say("{field}: {difference} points; {observed} % dirt, {expected} % expected; n {n}", **values) + few
    text = say(
        "{field}: {difference} points ({lo} to {hi}); {observed} % dirt, {expected} % expected; n {n}",
        lo=number(difference - half),
        hi=number(difference + half),
        **values,
    )
    return text + few


def _finding(fields: pl.DataFrame, data: DistrictMapData) -> str:
    if not data.fields.height:
        return say("There is no map: no field list has been received.")
    if not fields.height:
        return say("No field has a measured load with an expected value.")
    standings = fields["standing"].drop_nulls().to_list()
    if not standings:
        if (fields["n"] < FEW).all():
            return _few_finding(fields.row(0, named=True))
        return say("No field has enough measured loads to tell it from its expected dirt.")
    return say_n(
        "Dirtier than expected: {dirtier} of {n} field with enough loads; cleaner: {cleaner}.",
        "Dirtier than expected: {dirtier} of {n} fields with enough loads; cleaner: {cleaner}.",
        len(standings),
        dirtier=number(standings.count("dirtier"), 0),
        cleaner=number(standings.count("cleaner"), 0),
    )


def _few_finding(first: dict[str, Any]) -> str:
    """Return the sentence on fields of which none is counted; `first` is the farthest above its expected dirt."""
    if first["difference_pct"] <= 0:
        return say("Few loads in every field, none judged.")
    return say(
        "Few loads in every field; highest: {field}, {difference} points (n = {n}).",
        field=first["field_id"],
        difference=number(first["difference_pct"], sign=True),
        n=number(first["n"], 0),
    )


def _reading(drawn: Drawn) -> tuple[str, str]:
    """Return the meaning of pale colours, and that of marks and outlines, only for what is drawn."""
    if drawn.drawing is None:
        return "", ""
    lines = []
    pale = pale_words() if any(f.is_pale for f in drawn.drawing.fields) else ""
    if any(f.level is None for f in drawn.drawing.fields):
        lines.append(say("Dotted outline: no measured load."))
    kinds = {m.kind for m in drawn.drawing.marks}
    if "machine" in kinds:
        lines.append(say("Triangle: a machine's last position."))
    if "site" in kinds:
        lines.append(say("Square: a factory."))
    if any(f.side <= MAX_ENLARGED for f in drawn.drawing.fields):
        lines.append(say("Small fields are drawn larger than they are."))
    return pale, " ".join(lines)


def _rule(fields: pl.DataFrame, *, is_season: bool) -> list[str]:
    """Return the rule by which fields are counted; nothing if none is."""
    n = fields["standing"].drop_nulls().len()
    if not n:
        return []
    rule = (
        say("Counted: 95 % interval clear of 0, with at least {loads} loads and {n} visits.", loads=FEW, n=MIN_CLUSTERS)
        if is_season
        else say(
            "Counted: 95 % interval clear of 0, with at least {loads} loads and {n} hours.", loads=FEW, n=MIN_CLUSTERS
        )
    )
    return [rule + " " + say("By chance alone about {n} would be.", n=number(max(1.0, CHANCE * n), 0))]


def _missing(data: DistrictMapData, drawn: Drawn, fields: pl.DataFrame) -> list[str]:
    lines: list[str] = []
    if drawn.unplaced:
        lines.append(
            say_n(
                "{n} field has no position and is not drawn.",
                "{n} fields have no position and are not drawn.",
                drawn.unplaced,
            )
        )
    if drawn.far:
        lines.append(
            say_n(
                "{n} position is more than {km} km from the other fields and is not drawn; check it.",
                "{n} positions are more than {km} km from the other fields and are not drawn; check them.",
                drawn.far,
                km=number(MAX_REACH_KM, 0),
            )
        )
    if drawn.circles:
        lines.append(
            say_n(
                "{n} field without an outline is drawn as a circle of its area.",
                "{n} fields without an outline are drawn as circles of their area.",
                drawn.circles,
            )
        )
    too_few = fields["standing"].null_count()
    if too_few and too_few < fields.height:
        lines.append(
            say_n(
                "{n} more field has too few measured loads to be counted.",
                "{n} more fields have too few measured loads to be counted.",
                too_few,
            )
        )
    if drawn.drawing is not None and not data.machines.height:
        lines.append(say("No position of a machine is stored for this time."))
    if drawn.drawing is not None and not data.sites:
        lines.append(say("No factory has a position in season.toml."))
    return lines


def _difference(row: dict[str, Any]) -> Cell:
    return number_cell(row["difference_pct"], 1, row["lo95"], row["hi95"], sign=True)


def _field_table(name: str, title: str, fields: pl.DataFrame, link: Link | None, *, is_season: bool) -> Table:
    return build_table(
        name,
        title,
        (
            Column(say("Field"), lambda r: text_cell(r["field_id"])),
            Column(say("Dirt observed, %"), lambda r: number_cell(r["observed_pct"])),
            Column(say("Dirt expected, %"), lambda r: number_cell(r["expected_pct"])),
            Column(say("Difference, points"), _difference),
            Column(
                say("n measured loads"),
                lambda r: number_cell(r["n"], 0, href=link(r["field_id"]) if link is not None else None),
            ),
            Column(say("n visits") if is_season else say("n hours"), lambda r: number_cell(r["n_clusters"], 0)),
        ),
        fields.iter_rows(named=True),
        say(
            "Means over a field's measured loads; fewer than {few} are few. The 95 % interval of the difference is "
            "cluster-robust; with fewer than {n} clusters it is left out.",
            few=FEW,
            n=MIN_CLUSTERS,
        ),
    )


def _machine_table(name: str, title: str, machines: pl.DataFrame, shown: DisplayUnits) -> Table:
    return build_table(
        name,
        say("{title}: last positions of machines", title=title),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"])),
            Column(say("Field"), lambda r: text_cell(r["field_id"]), numeric=False),
            Column(say("Last position at"), lambda r: text_cell(shown.moment(r["bin_at"])), numeric=False),
        ),
        machines.iter_rows(named=True),
    )


def map_reading() -> str:
    """Return a sentence on the expected value of the map, and its difference from the comparison of fields."""
    return say(
        "Expected on the map: the dirt for soil, wetness, weather and crop alone. The difference includes the field "
        "itself, machines and settings; the comparison of fields leaves machines and settings out."
    )
