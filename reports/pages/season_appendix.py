"""Appendix of the season report: all effects, the guide, piles, open questions, methods, checks, data and prices."""

from reports.language.display_units import DisplayUnits
from reports.language.translate import say, translated
from reports.page.model import Filters, Page, Prose, Section
from reports.pages.season_data import SeasonPageData
from reports.pages.season_open_questions import open_questions_section
from reports.pages.season_overview import overview_section
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer, health_section, season_line
from reports.sections.missing_numbers import missing_data_table
from reports.sections.parts_ahead import compared_section
from reports.sections.prices import assumption_words, price_section
from reports.sections.season_effects import effect_sections
from reports.sections.season_methods import methods_section
from reports.sections.season_worth import guide_section, pile_section, worth_section
from transforms.config.workspace import Season
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES

CLASSES = {"wetness": WETNESS_CLASSES, "soil": SOIL_CLASSES}


def condition_filters(sites: list[str]) -> Filters:
    """Return filters for factory, topsoil and soil."""
    wet, soil = (tuple((c, translated(c)) for c in CLASSES[k]) for k in ("wetness", "soil"))
    return Filters(
        {
            "site": (say("Factory"), tuple((s, s) for s in sites)),
            "wetness": (say("Topsoil"), wet),
            "soil": (say("Soil"), soil),
        }
    )


def _reading(data: SeasonPageData, season: Season) -> Section:
    sites = data.piles["site_id"].drop_nulls().unique().sort().to_list()
    about = say(
        "Every chart follows the sentence it supports; its numbers open below it. Brackets and lines are 95 % "
        "intervals; n is the number of loads or plots behind a figure. Linked numbers open the loads behind them."
    )
    words = Prose(f"{about} {assumption_words(season)}", (say("Prices used"), "#prices"))
    return Section("how", say("How to read it"), (words, condition_filters(sites)))


def season_appendix(data: SeasonPageData, season: Season) -> Page:
    """Return the appendix of the season report."""
    shown, catalogue = DisplayUnits(season.units, season.currency, season.time_zone), season.catalogue
    checks = data.causes.effects.fit_checks
    parts = compared_section(data.parts, data.open_questions.suggested_trials, catalogue, shown)
    missing = missing_data_table(data.missing)
    return Page(
        say("Everything behind the season report"),
        season_line(season.name, shown, data.overview.total["last_day"]),
        "",
        say(CAUTION),
        (
            _reading(data, season),
            overview_section(data.overview, shown),
            *effect_sections(data.causes, catalogue, shown),
            guide_section(data.guide, catalogue, shown),
            *(() if parts is None else (parts,)),
            worth_section(data.guide, shown),
            pile_section(data.piles, shown),
            open_questions_section(data.open_questions, data.guide.status, season, shown),
            methods_section(checks, data.health.counts["trace_quality"], catalogue),
            *(() if missing is None else (missing,)),
            health_section(data.health, catalogue, shown),
            price_section(season),
        ),
        footer(data.footer),
        name=say("Appendix of the season report"),
        back=(say("Season report"), "season.html"),
    )
