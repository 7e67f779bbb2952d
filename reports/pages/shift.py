"""First page after a shift: what to change before the next one, what it is worth, and what needs a look."""

import datetime as dt
from pathlib import Path
from typing import Any

from reports.language.display_units import DisplayUnits
from reports.language.translate import say, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.links import FOLLOWED_PAGE, ShiftPages, loads_link, shift_pages
from reports.page.model import Page, Prose, Section
from reports.page.summary import PageLink, PageLinks
from reports.page.workbook import write_workbook
from reports.pages.shift_data import ShiftPageData
from reports.pages.shift_evidence import evidence_pages
from reports.sections.cab_cards import cab_cards
from reports.sections.cautions import CAUTION, SAFETY_CAUTION
from reports.sections.district_map import district_map
from reports.sections.outcome_answer import warning_strip
from reports.sections.parts_ahead import parts_section
from reports.sections.shift_attention import attention_links
from reports.sections.shift_followed import followed_section
from reports.sections.shift_summary import (
    fleet_move,
    heading,
    machine_rows,
    price_strip,
    sensitivity_of,
    status_note,
    tiles,
    trade_off_words,
    unchanged_words,
    weather_words,
    worth_words,
)
from transforms.config.workspace import Season
from transforms.storage.product_basis import BasisCode


def _when(data: ShiftPageData, next_shift: dt.date | None, shown: DisplayUnits) -> str:
    """Return date, shift and weather ahead in one line."""
    if next_shift is not None:
        day = say("Shift of {day}", day=shown.short_day(next_shift))
    else:
        day = say("After {day}", day=shown.short_day(data.shift)) if data.shift else say("No shift yet")
    return " · ".join(t for t in (day, weather_words(data.summary.weather, shown)) if t)


def _evidence_links(data: ShiftPageData, pages: ShiftPages) -> PageLinks:
    """Return the links to the pages with the evidence."""
    links = [PageLink(say("All changes"), pages.machines)]
    if data.loads.height:
        links.append(PageLink(say("Loads"), pages.loads))
    if data.footer.fits.height:
        links.append(PageLink(say("What drives dirt"), pages.effects))
    links.append(PageLink(say("Weather, data"), pages.received))
    links.append(PageLink(say("Prices"), pages.prices))
    if data.summary.outcome.has_moves:
        links.append(PageLink(say("Advice followed"), FOLLOWED_PAGE))
    return PageLinks(tuple(links))


def _advice_section(data: ShiftPageData, season: Season, shown: DisplayUnits, pages: ShiftPages) -> Section:
    """Return tiles, strip and one row per machine."""
    summary = data.summary
    note = status_note(summary, shown)
    rows = machine_rows(summary, season, shown, pages.machines)
    unchanged = unchanged_words(summary) if rows is not None else ""
    blocks: list[Any] = [
        Prose(note, note=True) if note else None,
        warning_strip(summary.outcome, shown, FOLLOWED_PAGE) if rows is not None else None,
        tiles(summary.outcomes, shown),
        price_strip(sensitivity_of(summary, season), shown, pages.prices),
        rows,
        Prose(unchanged) if unchanged else None,
    ]
    if data.advice_status.code is BasisCode.TOO_FEW_LOADS:
        needed = say("Advice needs at least 120 loads that are measured and traced and have weather data;")
        blocks.append(Prose(needed, (say("see the data received"), pages.received)))
    return Section("moves", "", tuple(b for b in blocks if b is not None), data.advice_status.code)


def _map_section(data: ShiftPageData, shown: DisplayUnits, pages: ShiftPages) -> Section:
    """Return the small map of the shift's fields, each of which leads to its loads."""
    fields = district_map(
        data.district,
        shown,
        say("Fields of the shift"),
        lambda field: loads_link(pages.loads, field=field),
        is_small=True,
    )
    return Section("map", "", (fields,))


def shift_page(data: ShiftPageData, season: Season) -> Page:
    """Return the first page after the latest shift."""
    shown, catalogue = DisplayUnits(season.units, season.currency, season.time_zone), season.catalogue
    pages, summary = shift_pages(data.shift), data.summary
    is_ahead = data.advice.height and data.advice_status.code is not BasisCode.EARLIER_SHIFT
    next_shift = data.advice["shift_date"][0] if is_ahead else None
    sections = [_advice_section(data, season, shown, pages)]
    looks = attention_links(
        summary, catalogue, shown, machines=pages.machines, loads=pages.loads, received=pages.received
    )
    if looks is not None:
        sections.append(Section("looks", say("Needs a look"), (looks,)))
    parts = parts_section(summary.parts, shown) if is_ahead else None
    if parts is not None:
        sections.append(parts)
    followed = followed_section(summary.followed, summary.outcome, shown)
    if followed is not None:
        sections.append(followed)
    sections.append(Section("cautions", "", (Prose(say(SAFETY_CAUTION), note=True),)))
    if data.loads.height:
        sections.append(_map_section(data, shown, pages))
    sections.append(Section("evidence", "", (_evidence_links(data, pages),)))
    return Page(
        heading(fleet_move(data.advice), summary.outcomes.height, catalogue),
        _when(data, next_shift, shown),
        " ".join(t for t in (worth_words(summary.outcomes, shown), trade_off_words(summary.outcomes)) if t),
        None,
        tuple(sections),
        (season.name,),
        name=say("After the shift of {day}", day=shown.day(data.shift)) if data.shift else say("No shift yet"),
        cab_cards=cab_cards(summary, catalogue, shown),
    )


def all_tables(first: Page, evidence: dict[str, Page]) -> Page:
    """Return one page with the sections of all pages of a shift, for the workbook."""
    sections = [s for page in evidence.values() for s in page.sections]
    footer = next(iter(evidence.values())).footer
    return Page(first.title, first.when, first.lead, say(CAUTION), (*first.sections, *sections), footer)


def write_shift_page(data: ShiftPageData, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write the pages of the latest shift into `out`, and `shift.html`, a copy of the first page.

    Returns:
        The first page, its PDF and its workbook if requested, then the pages with the evidence.
    """
    shown, pages = DisplayUnits(season.units, season.currency, season.time_zone), shift_pages(data.shift)
    with use_language(season.locale, season.texts):
        first, evidence = shift_page(data, season), evidence_pages(data, season, shown, pages)
        paths = write_page(first, out / pages.first, OutputFormats(pdf=formats.pdf))
        if formats.xlsx:
            paths.append(write_workbook(all_tables(first, evidence), (out / pages.first).with_suffix(".xlsx")))
        for name, page in evidence.items():
            paths += write_page(page, out / name)
    latest = out / "shift.html"
    partial = latest.with_suffix(".partial")
    partial.write_bytes(paths[0].read_bytes())
    partial.replace(latest)
    return paths
