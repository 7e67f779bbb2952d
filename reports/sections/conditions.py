"""Section on rain and topsoil wetness, now and over the last ten days."""

import polars as pl

from reports.charts.wetness import wetness
from reports.language.display_units import DisplayUnits
from reports.language.translate import say, translated
from reports.page.model import Figure, Prose, Section
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.page.theme import local
from reports.sections.conditions_data import ConditionsData


def _now(now: pl.DataFrame, shown: DisplayUnits) -> Table:
    rain, air = shown.sign("rain"), shown.sign("degC")
    return build_table(
        "conditions-now",
        say("conditions now"),
        (
            Column(say("Station"), lambda r: text_cell(r["station_id"])),
            Column(say("Soil"), lambda r: text_cell(translated(r["soil_class"] or "")), numeric=False),
            Column(say("n fields"), lambda r: number_cell(r["fields"], 0)),
            Column(say("Wetness, 0 to 1"), lambda r: number_cell(r["topsoil_wetness"], 2)),
            Column(say("Rain 24 h, {unit}", unit=rain), lambda r: _rain(r["rain_24h_mm"], shown)),
            Column(say("Rain 72 h, {unit}", unit=rain), lambda r: _rain(r["rain_72h_mm"], shown)),
            Column(
                say("Air, {unit}", unit=air),
                lambda r: number_cell(None if r["air_temp_c"] is None else shown.convert(r["air_temp_c"], "degC"), 0),
            ),
        ),
        now.iter_rows(named=True),
        caption=say("Mean of the fields of each station and soil class."),
        marks=lambda r: {"soil": r["soil_class"]} if r["soil_class"] else {},
    )


def _rain(mm: float | None, shown: DisplayUnits) -> Cell:
    return number_cell(None if mm is None else shown.convert(mm, "rain"), shown.digits("rain"))


def conditions_section(data: ConditionsData, shown: DisplayUnits) -> Section:
    """Return the section on rain and topsoil wetness."""
    title = say("Conditions")
    now, rain = data.now, data.rain
    if not now.height:
        return Section("conditions", title, (Prose(say("No weather yet.")),))
    fell = shown.quantity(float(rain["rain_mm"].sum()) if rain.height else 0.0, "rain")
    at, shifts = shown.moment(now["hour_at"][0]), now["shift_date"].drop_nulls()
    finding = say("Rain over the last ten days: {rain} (mean of the stations).", rain=fell)
    if not shifts.len():
        finding += " " + say("The table shows {at}.", at=at)
    else:
        finding += " " + say(
            "Table: rain up to {at}; wetness and air expected in the working hours of {day}.",
            at=at,
            day=shown.day(shifts.to_list()[0]),
        )
    chart = wetness(local(data.wetness, shown.zone, "at")) if data.wetness.height else None
    alt = say("Topsoil wetness by soil class over the last ten days")
    return Section("conditions", title, (Figure("wetness", finding, "", chart, alt, _now(now, shown), open=True),))
