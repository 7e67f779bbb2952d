"""Season report: every chart follows the sentence it supports; and the list of all loads of the season."""

from pathlib import Path

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.language.translate import say, translated, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.model import Filters, LoadList, Page, Prose, Section
from reports.page.tables import Heading
from reports.pages.season_data import SeasonLoadsPageData, SeasonPageData
from reports.pages.season_open_questions import open_questions_section
from reports.pages.season_overview import lead, overview_section
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer, health_section, season_line
from reports.sections.prices import assumption_words, price_section
from reports.sections.season_effects import driver_sections
from reports.sections.season_methods import methods_section
from reports.sections.season_worth import guide_section, pile_section, worth_section
from reports.sections.shift_loads import load_list
from transforms.config.workspace import Season
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.contracts.natural_order import natural_key

CLASSES = {"wetness": WETNESS_CLASSES, "soil": SOIL_CLASSES}


def _filters(sites: list[str]) -> Filters:
    wet, soil = (tuple((c, translated(c)) for c in CLASSES[k]) for k in ("wetness", "soil"))
    return Filters(
        {
            "site": (say("Factory"), tuple((s, s) for s in sites)),
            "wetness": (say("Topsoil"), wet),
            "soil": (say("Soil"), soil),
        }
    )


def season_page(data: SeasonPageData, season: Season) -> Page:
    """Return the season report."""
    shown, catalogue = DisplayUnits(season.units, season.currency, season.time_zone), season.catalogue
    overview = data.overview
    sites = data.piles["site_id"].drop_nulls().unique().sort().to_list()
    about = Section(
        "how",
        say("How to read it"),
        (
            Prose(
                say(
                    "Every chart follows the sentence it supports; its numbers open below it. Brackets and lines are "
                    "95 % intervals; n is the number of loads or plots behind a figure. Linked numbers open the loads "
                    "behind them."
                )
                + " "
                + assumption_words(season),
                (say("Prices used"), "#prices"),
            ),
            _filters(sites),
        ),
    )
    return Page(
        say("Season report"),
        season_line(season.name, shown, overview.total["last_day"]),
        lead(overview.total, overview.costs, shown),
        say(CAUTION),
        (
            about,
            overview_section(overview, shown),
            *driver_sections(data.causes, catalogue, shown),
            guide_section(data.guide, catalogue, shown),
            worth_section(data.guide, shown),
            pile_section(data.piles, shown),
            open_questions_section(data.open_questions, data.guide.status, season, shown),
            methods_section(data.causes.effects.fit_checks, data.health.counts["trace_quality"], catalogue),
            health_section(data.health, catalogue, shown),
            price_section(season),
        ),
        footer(data.footer),
    )


def _ids(column: pl.Series) -> list[str]:
    """Return the distinct ids of a column in natural order, M9 before M10."""
    ids = column.drop_nulls().unique().cast(pl.String).to_frame("id")
    return ids.sort(natural_key(pl.col("id")), "id")["id"].to_list()


def season_loads_page(data: SeasonLoadsPageData, season: Season) -> Page:
    """Return the page with all loads, which links on other pages filter; for the manager only."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    loads = data.loads
    base = load_list(loads, shown)
    rows = tuple((*r, g, o) for r, g, o in zip(base.rows, loads["grower_id"], loads["operator_id"], strict=True))
    columns = (*base.columns, Heading(say("Grower"), numeric=False), Heading(say("Operator"), numeric=False))
    marks = base.marks | {"grower": len(base.columns), "operator": len(base.columns) + 1}
    all_loads = LoadList(base.id, columns, marks, rows, (*base.digits, None, None), base.named)
    choices = {
        mark: (words, tuple((str(v), str(v)) for v in _ids(loads[column])))
        for mark, words, column in (
            ("site", say("Factory"), "site_id"),
            ("machine", say("Machine"), "machine_id"),
            ("field", say("Field"), "field_id"),
        )
    }
    choices |= _filters([]).choices | {"site": choices["site"]}
    about = say("Choose the loads to show; links in the season report and the fleet page choose for you.")
    return Page(
        say("Loads of the season"),
        say("{season} · contains names: for the manager alone", season=season.name),
        about,
        None,
        (Section("loads", say("Loads"), (Filters(choices), all_loads)),),
        footer(data.footer),
    )


def write_season_loads(data: SeasonLoadsPageData, season: Season, out: Path) -> Path:
    """Write `season-loads.html`, the target of links in the season report and the fleet page; return its path."""
    with use_language(season.locale, season.texts):
        return write_page(season_loads_page(data, season), out / "season-loads.html")[0]


def write_season(data: SeasonPageData, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write `season.html`, with its PDF and workbook if requested, and return the paths."""
    with use_language(season.locale, season.texts):
        return write_page(season_page(data, season), out / "season.html", formats)
