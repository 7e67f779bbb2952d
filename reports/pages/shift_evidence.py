"""Pages with the evidence behind a shift's advice: machines, loads, effects, data received and prices."""

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.language.translate import say, translated
from reports.page.links import FOLLOWED_PAGE, ShiftPages
from reports.page.model import Filters, Page, Section
from reports.page.summary import PageLink, PageLinks
from reports.pages.shift_data import ShiftPageData
from reports.sections.cautions import CAUTION
from reports.sections.conditions import conditions_section
from reports.sections.data_health import footer, health_section, season_line
from reports.sections.effects import effects_blocks
from reports.sections.outcome_answer import warning_strip
from reports.sections.parts_ahead import parts_evidence
from reports.sections.prices import price_section
from reports.sections.set_points import set_points_section
from reports.sections.shift_cards import MachineAdvice, machine_advice, moves_section
from reports.sections.shift_fleet import machine_finding
from reports.sections.shift_headings import (
    effects_title,
    loads_title,
    machines_title,
    prices_title,
    received_title,
)
from reports.sections.shift_loads import loads_section, worst_section
from reports.sections.shift_machines import machines_section
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.workspace import Season
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES


def filters(loads: pl.DataFrame, machines: list[MachineAdvice]) -> Filters:
    """Return the filter choices of factory, machine and conditions for the shift."""
    sites = loads["site_id"].drop_nulls().unique().sort().to_list()
    names = sorted({*loads["machine_id"].drop_nulls().to_list(), *(a.machine for a in machines)})
    wet, soil = (tuple((c, translated(c)) for c in classes) for classes in (WETNESS_CLASSES, SOIL_CLASSES))
    return Filters(
        {
            "site": (say("Factory"), tuple((s, s) for s in sites)),
            "machine": (say("Machine"), tuple((m, m) for m in names)),
            "wetness": (say("Topsoil"), wet),
            "soil": (say("Soil"), soil),
        }
    )


def _outcome(data: ShiftPageData, shown: DisplayUnits) -> Section:
    """Return the link to what became of the advice of the season, below a warning if it promised too much."""
    strip = warning_strip(data.summary.outcome, shown, FOLLOWED_PAGE)
    about = say("Changes made and what they saved, by week and machine")
    link = PageLinks((PageLink(say("Advice followed"), FOLLOWED_PAGE, about),))
    return Section("outcome", "", (link,) if strip is None else (strip, link))


def _machines(data: ShiftPageData, season: Season, shown: DisplayUnits, pages: ShiftPages) -> list[Section]:
    """Return the advice of each machine with its evidence, and the machines compared."""
    advice = machine_advice(data.advice, data.advice_worth, data.sites, data.summary.offsets)
    sections = [moves_section(advice, data.advice_status, season, shown, pages)]
    if data.loads.height:
        sections.insert(0, Section("filters", "", (filters(data.loads, advice),)))
    if data.summary.outcome.has_moves:
        sections.insert(0, _outcome(data, shown))
    if data.shift and data.shift_machines.machines.height:
        parts = (data.shift_machines, data.loads, data.shift, season.catalogue, shown, pages.loads)
        sections.append(machines_section(*parts))
    more = (
        parts_evidence(data.summary.parts, season.catalogue, shown),
        set_points_section(data.summary.offsets, season.catalogue, shown),
    )
    return [*sections, *(s for s in more if s is not None)]


def _loads(data: ShiftPageData, season: Season, shown: DisplayUnits) -> list[Section]:
    """Return the dirtiest loads with their causes, and all loads of the shift."""
    sections = [worst_section(data.worst_loads, data.loads, season.catalogue, shown)]
    if data.loads.height:
        sections.insert(0, Section("filters", "", (filters(data.loads, []),)))
        sections.append(loads_section(data.loads, shown))
    return [s for s in sections if s is not None]


def _effects(data: ShiftPageData, season: Season, shown: DisplayUnits) -> list[Section]:
    """Return the effects of one step of each setting on dirt and root loss."""
    if not data.footer.fits.height:
        return []
    titles = {DIRT: say("On dirt"), ROOT_LOSS: say("On roots left in the field")}
    return [
        Section(f"drivers-{key}", titles[r], tuple(effects_blocks(data.effects, r, key, season.catalogue, shown)))
        for r, key in ((DIRT, "dirt"), (ROOT_LOSS, "loss"))
    ]


def evidence_pages(data: ShiftPageData, season: Season, shown: DisplayUnits, pages: ShiftPages) -> dict[str, Page]:
    """Return the pages behind the first page of a shift, by file name."""
    day = season_line(season.name, shown, data.shift)
    back, foot = (say("After the shift"), pages.first), footer(data.footer)
    health = [conditions_section(data.conditions, shown), health_section(data.health, season.catalogue, shown)]
    found = machine_finding(data.shift_machines.machines)

    def page(name: str, title: str, sections: list[Section], lead: str = "", caution: str | None = None) -> Page:
        return Page(title, day, lead, caution, tuple(sections), foot, name=name, back=back)

    effects, received = effects_title(data.effects.effects, season.catalogue), received_title(data.health.counts)
    advice = _machines(data, season, shown, pages)
    return {
        pages.machines: page(
            say("Every change, machine by machine"), machines_title(data.advice), advice, found, say(CAUTION)
        ),
        pages.loads: page(say("Loads of the shift"), loads_title(data.loads), _loads(data, season, shown)),
        pages.effects: page(say("Effects of one step of each setting"), effects, _effects(data, season, shown)),
        pages.received: page(say("Weather and data received"), received, health),
        pages.prices: page(say("Prices and assumptions"), prices_title(season), [price_section(season)]),
    }
