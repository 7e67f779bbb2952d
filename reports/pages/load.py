"""Load page: dirt compared with its expected value, the main reason, the minutes traced to the load, and a map."""

from pathlib import Path

from reports.language.display_units import NO_VALUE, DisplayUnits
from reports.language.translate import say, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.model import Page, Section
from reports.pages.load_data import LoadPageData
from reports.sections.data_health import footer
from reports.sections.load_cause import cause_section, load_tiles, load_title, main_reason, trace_strip
from reports.sections.load_map import map_section
from reports.sections.load_minutes import minutes_section
from transforms.config.workspace import Season
from transforms.contracts.naming import safe_name


def load_page(data: LoadPageData, season: Season, setting: str | None = None) -> Page:
    """Return the page of one load, its map coloured by `setting`.

    Raises:
        WorkspaceError: the setting was not logged in the load's field.
    """
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    row, dirt = data.picture.load.row(0, named=True), data.dirt
    when = say(
        "{machine} in {field} · {delivered} delivered (with soil) · weighed at {site}, {at} · {season}",
        machine=row["machine_id"],
        field=row["field_id"],
        delivered=shown.quantity(row["delivered_t"], "t", digits=1),
        site=row["site_id"] or NO_VALUE,
        at=shown.moment(row["weighed_true_at"]),
        season=season.name,
    )
    strip = trace_strip(row["trace_quality"])
    answer = (load_tiles(dirt, row["trace_quality"]), *((strip,) if strip is not None else ()))
    sections = (
        Section("answer", "", answer),
        cause_section(row["load_id"], dirt, season.catalogue, shown),
        minutes_section(data.picture, row, shown),
        map_section(data.picture, season.catalogue, shown, setting),
    )
    return Page(
        load_title(row["load_id"], dirt),
        when,
        main_reason(dirt, season.catalogue),
        None,
        tuple(s for s in sections if s is not None),
        (say("Times are {zone}.", zone=season.time_zone), *footer(data.footer)),
        name=say("Load {load}", load=row["load_id"]),
    )


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
