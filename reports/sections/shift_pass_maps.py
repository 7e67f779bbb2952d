"""Maps of a machine's passes in the shift, one per field."""

import polars as pl

from reports.charts.shift_passes import shift_passes
from reports.language.labels import interval
from reports.language.translate import say
from reports.page.model import Figure
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from transforms.geo import METRES_PER_DEG

MIN_PASSES = 5
"""A field with fewer half minutes has no map: they are stray positions beside another field."""


def map_finding(field: str, passes: pl.DataFrame) -> str:
    """Return a sentence on the dirt of the loads of one field."""
    known = passes.drop_nulls("dirt_tare_pct")
    if not known.height:
        return say("Field {field}: none of its loads is measured.", field=field)
    dirt = pl.col("dirt_tare_pct")
    low, high = known.select(dirt.min().alias("low"), dirt.max().alias("high")).row(0)
    return say("Field {field}: its loads contain {span} % dirt.", field=field, span=interval(low, high, 1))


def pass_maps(machine: str, name: str, passes: pl.DataFrame) -> list[Figure]:
    """Return one map per field with at least `MIN_PASSES` half minutes.

    Args:
        machine: machine id.
        name: safe form of the machine id, for ids of page elements.
        passes: rows of `shift_pass` of the machine, local times in `at`.
    """
    reading = say("A sample of the half minutes of lifting, coloured by the dirt of their load; grey: not measured.")
    return [
        Figure(
            f"passes-{name}-{i}",
            map_finding(str(field), ground := _in_metres(own)),
            reading,
            shift_passes(ground),
            say("Map of the passes of {machine} in {field}", machine=machine, field=field),
            _pass_table(f"{name}-{i}", machine, ground),
        )
        for i, ((field,), own) in enumerate(passes.drop_nulls("field_id").group_by("field_id", maintain_order=True))
        if own.height >= MIN_PASSES
    ]


def _pass_table(name: str, machine: str, passes: pl.DataFrame) -> Table:
    by = (
        passes.group_by("field_id", "load_id", maintain_order=True)
        .agg(pl.len(), pl.col("at").min().alias("from"), pl.col("dirt_tare_pct").first())
        .sort("from", "load_id")
    )
    return build_table(
        f"passes-table-{name}",
        say("passes of {machine} in {field}", machine=machine, field=passes["field_id"][0]),
        (
            Column(say("Field"), lambda r: text_cell(r["field_id"])),
            Column(say("Load"), lambda r: text_cell(r["load_id"]), numeric=False),
            Column(say("From"), lambda r: text_cell(f"{r['from']:%H:%M}"), numeric=False),
            Column(say("n half minutes shown"), lambda r: number_cell(r["len"], 0)),
            Column(say("Dirt of the load, %"), lambda r: number_cell(r["dirt_tare_pct"])),
        ),
        by.iter_rows(named=True),
    )


def _in_metres(passes: pl.DataFrame) -> pl.DataFrame:
    """Return passes with positions in metres east and north of their mean."""
    north = (pl.col("lat_deg") - pl.col("lat_deg").mean()) * METRES_PER_DEG
    east = (pl.col("lon_deg") - pl.col("lon_deg").mean()) * METRES_PER_DEG * pl.col("lat_deg").mean().radians().cos()
    return passes.select(
        east.round(0).alias("east_m"), north.round(0).alias("north_m"), "field_id", "at", "load_id", "dirt_tare_pct"
    )
