"""Season report for the board, on four pages; its appendix and workbook; and the list of all loads of the season."""

from dataclasses import replace
from pathlib import Path

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.language.translate import say, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.model import Filters, LoadList, Page, Section
from reports.page.summary import PageLink, PageLinks
from reports.page.tables import Heading
from reports.page.workbook import write_workbook
from reports.pages.season_appendix import condition_filters, season_appendix
from reports.pages.season_data import SeasonLoadsPageData, SeasonPageData
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer, warnings
from reports.sections.missing_numbers import missing_data_section
from reports.sections.season_causes import causes_section
from reports.sections.season_cost import cost_section, savings_section, season_heading, season_lead, season_when
from reports.sections.season_followed import season_followed_section
from reports.sections.season_next import actions_section, agree_section, trials_section
from reports.sections.season_where_when import where_when_section
from reports.sections.shift_loads import load_list
from transforms.advice.cost_effects import season_levels
from transforms.config.workspace import Season
from transforms.contracts.natural_order import natural_key


def season_page(data: SeasonPageData, season: Season) -> Page:
    """Return the season report: four pages for the board."""
    shown, catalogue = DisplayUnits(season.units, season.currency, season.time_zone), season.catalogue
    overview, total = data.overview, data.overview.total
    levels = season_levels(total, dict(data.causes.usual.iter_rows()), season.prices)
    followed = season_followed_section(data.outcome, data.followed_months, shown)
    missing = missing_data_section(data.missing)
    more = PageLinks(
        (
            PageLink(say("Appendix"), "season-appendix.html", say("Checks, methods, data health and all tables")),
            PageLink(say("The setting guide"), "guide.html", say("Start values by topsoil and soil")),
            PageLink(say("Loads of the season"), "season-loads.html", say("Contains names: for the manager alone")),
        )
    )
    return Page(
        season_heading(overview.costs, shown),
        season_when(season.name, total, shown),
        season_lead(overview.costs, season.prices, shown),
        say(CAUTION),
        (
            cost_section(overview, data.guide.lifted_t, season, shown),
            savings_section(data.guide, shown),
            *(() if followed is None else (followed,)),
            where_when_section(overview, data.district, shown),
            causes_section(data.causes, levels, season.prices, catalogue, shown),
            actions_section(data.guide, catalogue, shown),
            trials_section(data.open_questions.suggested_trials, season, shown),
            *(() if missing is None else (missing,)),
            agree_section(season),
            Section("more", "", (more,)),
        ),
        warnings(data.footer),
        name=say("Season report"),
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
    choices |= condition_filters([]).choices | {"site": choices["site"]}
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
    """Write the season report and its appendix, each with its PDF, and one workbook of both; return the paths."""
    without_xlsx = replace(formats, xlsx=False)
    with use_language(season.locale, season.texts):
        report, appendix = season_page(data, season), season_appendix(data, season)
        paths = write_page(report, out / "season.html", without_xlsx)
        if formats.xlsx:
            both = replace(report, sections=(*report.sections, *appendix.sections))
            paths.append(write_workbook(both, out / "season.xlsx"))
        return [*paths, *write_page(appendix, out / "season-appendix.html", without_xlsx)]
