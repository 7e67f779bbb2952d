"""Shift page: one self-contained HTML file with the setting changes advised before the next shift."""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.language.translate import say, translated, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.model import Filters, Page, Section
from reports.pages.shift_data import ShiftPageData
from reports.sections.cautions import CAUTION
from reports.sections.conditions import conditions_section
from reports.sections.data_health import footer, health_section, season_line
from reports.sections.effects import effects_blocks
from reports.sections.prices import price_section
from reports.sections.shift_cards import MachineAdvice, headline, machine_advice, moves_section
from reports.sections.shift_loads import loads_section, worst_section
from reports.sections.shift_machines import machines_section
from transforms.config.settings_catalogue import DIRT, ROOT_LOSS
from transforms.config.workspace import Season
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.storage.product_basis import BasisCode


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


def _title(next_shift: dt.date | None, shift: dt.date | None, shown: DisplayUnits) -> str:
    if next_shift is not None:
        return say("Before the shift of {day}", day=shown.day(next_shift))
    return say("Shift of {day}", day=shown.day(shift)) if shift else say("No shift yet")


def shift_page(data: ShiftPageData, season: Season) -> Page:
    """Return the page of the latest shift."""
    shown, catalogue = DisplayUnits(season.units, season.currency, season.time_zone), season.catalogue
    shift, loads, status = data.shift, data.loads, data.advice_status
    machine_moves = machine_advice(data.advice, data.advice_worth, data.sites)
    moves = moves_section(machine_moves, status, season, shown)
    if loads.height:
        blocks = (*moves.blocks[:1], filters(loads, machine_moves), *moves.blocks[1:])
        moves = replace(moves, blocks=blocks)
    sections: list[Section | None] = [moves]
    if shift and data.shift_machines.machines.height:
        sections.append(machines_section(data.shift_machines, loads, shift, catalogue, shown))
        sections.append(worst_section(data.worst_loads, loads, catalogue, shown))
    sections.append(conditions_section(data.conditions, shown))
    if data.footer.fits.height:
        drivers = [
            b
            for r, key in ((DIRT, "dirt"), (ROOT_LOSS, "loss"))
            for b in effects_blocks(data.effects, r, key, catalogue, shown)
        ]
        sections.append(Section("drivers", say("Causes of dirt and losses, by wetness of the topsoil"), tuple(drivers)))
    if loads.height:
        sections.append(loads_section(loads, shown))
    sections += [health_section(data.health, catalogue, shown), price_section(season)]
    is_ahead = data.advice.height and status.code is not BasisCode.EARLIER_SHIFT
    next_shift = data.advice["shift_date"][0] if is_ahead else None
    return Page(
        _title(next_shift, shift, shown),
        season_line(season.name, shown, shift),
        headline(machine_moves, status, catalogue, shown),
        say(CAUTION),
        tuple(s for s in sections if s is not None),
        footer(data.footer),
    )


def write_shift_page(data: ShiftPageData, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write `shift-<date>.html` and its copy `shift.html` into `out`; return the paths of the dated files."""
    with use_language(season.locale, season.texts):
        paths = write_page(shift_page(data, season), out / f"shift-{data.shift or 'none'}.html", formats)
    latest = out / "shift.html"
    partial = latest.with_suffix(".partial")
    partial.write_bytes(paths[0].read_bytes())
    partial.replace(latest)
    return paths
