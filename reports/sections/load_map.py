"""Map of the passes of a load's field, coloured by a setting, with the load's own minutes ringed."""

from typing import Any

import polars as pl

from reports.charts.field_passes import field_passes
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import setting_label
from reports.language.precision import setting_value
from reports.language.translate import say
from reports.page.model import Figure, Section
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from transforms.config.settings_catalogue import Catalogue
from transforms.errors import WorkspaceError
from transforms.geo import METRES_PER_DEG
from transforms.operations.load_view import LoadPicture

MAX_DOTS = 2500
"""Half minutes on the map; more are thinned, except the load's own, to keep the page small."""


def at_local(frame: pl.DataFrame, column: str, zone: str) -> pl.Series:
    """Return a column of UTC times as `at`, in local time without a zone, as charts require."""
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
            "'{name}' is not a setting logged in this field",
            where="--setting",
            remedy="use one of {names}",
            name=setting,
            names=", ".join(settings),
        )
    return setting


def _thinned(passes: pl.DataFrame) -> pl.DataFrame:
    """Return at most about `MAX_DOTS` half minutes, with all of the load's own."""
    step = max(1, -(-passes.height // MAX_DOTS))
    return passes.filter((pl.int_range(pl.len()) % step == 0) | (pl.col("share") > 0))


def _map_rows(
    passes: pl.DataFrame, settings: dict[str, str], catalogue: Catalogue, shown: DisplayUnits
) -> pl.DataFrame:
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
        at_local(passes, "bin_at", shown.zone),
        (100 * pl.col("share")).round(3).alias("share_pct"),
        *values,
    )


def _setting_column(name: str, label: str, catalogue: Catalogue, shown: DisplayUnits) -> Column:
    """Return the column of a setting's means, shown as an operator sets them; the workbook has the unrounded means."""

    def cell(r: dict[str, Any]) -> Cell:
        setting, mean = catalogue[name], r[name]
        text = setting_value(mean, setting, shown, unit=False)
        return Cell(text, None if mean is None else shown.convert(mean, setting.unit))

    return Column(label, cell)


def _pass_table(passes: pl.DataFrame, settings: dict[str, str], catalogue: Catalogue, shown: DisplayUnits) -> Table:
    """Return the map's data by machine: half minutes in the field and in the load, and the mean of each setting."""
    by = (
        passes.group_by("machine_id", maintain_order=True)
        .agg(pl.len(), (pl.col("share") > 0).sum().alias("own"), *(pl.col(n).mean() for n in settings))
        .sort("machine_id")
    )
    return build_table(
        "passes",
        say("passes"),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"])),
            Column(say("n half minutes shown"), lambda r: number_cell(r["len"], 0)),
            Column(say("of the load"), lambda r: number_cell(r["own"], 0)),
            *(_setting_column(name, label, catalogue, shown) for name, label in settings.items()),
        ),
        by.iter_rows(named=True),
        caption=say("Means of the half minutes shown."),
    )


def map_section(
    picture: LoadPicture, catalogue: Catalogue, shown: DisplayUnits, setting: str | None = None
) -> Section | None:
    """Return the section with the map of the field's passes; None if no setting was logged there.

    Args:
        picture: the load and its surroundings.
        catalogue: the settings known.
        shown: units.
        setting: setting that colours the map; None for the share depth or the first one logged.

    Raises:
        WorkspaceError: the setting was not logged in the field.
    """
    settings = _settings(picture.passes, catalogue, shown)
    first = _chosen(setting, settings)
    if not settings:
        return None
    field = picture.load["field_id"][0]
    passes = _thinned(picture.passes)
    rows = _map_rows(passes, settings, catalogue, shown)
    own = rows.filter(pl.col("share_pct") > 0).height
    finding = say("{own} of {all} half minutes shown filled this load.", own=own, all=number(rows.height, 0))
    reading = say(
        "Half minutes of lifting in the field (a sample if there are very many), coloured by a setting; rings mark "
        "those of the load."
    )
    alt = say("Map of the passes of field {field} coloured by a setting, the load's own minutes ringed", field=field)
    table = _pass_table(passes, settings, catalogue, shown)
    chart = Figure("map", finding, reading, field_passes(rows, settings, first), alt, table)
    return Section("passes-map", say("The passes of {field}", field=field), (chart,))
