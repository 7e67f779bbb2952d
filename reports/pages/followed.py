"""Page on the advice of the season and what became of it: changes made, by week and machine, and what they saved."""

from pathlib import Path
from typing import Any

from reports.language.display_units import DisplayUnits
from reports.language.translate import mark, say, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.links import FOLLOWED_PAGE
from reports.page.model import Fold, Page, Prose, Section
from reports.pages.followed_data import FollowedPageData
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer, season_line
from reports.sections.followed_figures import Grouping, savings_figure, uptake_figure
from reports.sections.followed_moves import recent_section, undone_table
from reports.sections.followed_withheld import withheld_words
from reports.sections.outcome_answer import headline, lead_words, saving_missing
from reports.sections.outcome_calibration import calibration_words, not_made_words, setting_slopes_table
from transforms.config.workspace import Season

WEEKS_KEPT = mark("In {kept} of {n} weeks the changes saved at least the amount promised.")
MACHINES_KEPT = mark("On {kept} of {n} machines the changes saved at least the amount promised.")


def by_week(shown: DisplayUnits) -> Grouping:
    """Return the grouping of changes by week."""

    def day(r: dict[str, Any]) -> str:
        return shown.short_day(r["starts_on"])

    return Grouping(
        "weeks",
        say("Week from"),
        day,
        lambda r: say("the week from {day}", day=day(r)),
        say("changes by week"),
        WEEKS_KEPT,
    )


def by_machine() -> Grouping:
    """Return the grouping of changes by machine."""

    def machine(r: dict[str, Any]) -> str:
        return str(r["machine_id"])

    return Grouping("machines", say("Machine"), machine, machine, say("changes by machine"), MACHINES_KEPT)


def by_operator() -> Grouping:
    """Return the grouping of changes by operator."""

    def operator(r: dict[str, Any]) -> str:
        return str(r["operator_id"])

    return Grouping("operators", say("Operator"), operator, operator, say("changes by operator"), is_ranked=False)


def _weeks(data: FollowedPageData, shown: DisplayUnits) -> Section:
    """Return the section by week."""
    by, missing = by_week(shown), saving_missing(data.outcome)
    figures = (uptake_figure(data.weeks, by), savings_figure(data.weeks, by, missing, shown))
    return Section("weeks", say("By week"), figures)


def _machines(data: FollowedPageData, season: Season, shown: DisplayUnits) -> Section:
    """Return the section by machine, with the settings left undone."""
    by, missing = by_machine(), saving_missing(data.outcome)
    undone = undone_table(data.machines, data.undone, data.unknown, season.catalogue)
    blocks = (
        uptake_figure(data.machines, by),
        savings_figure(data.machines, by, missing, shown),
        Fold(say("Settings most often left undone, and changes that cannot be judged"), (undone,)),
    )
    return Section("machines", say("By machine"), blocks)


def _operators(data: FollowedPageData) -> tuple[Section, ...]:
    """Return the section by operator; none if no operator is known."""
    if not data.operators.height:
        return ()
    about = say(
        "The operator is that of the machine's last setup before the shift. Operators have different machines, fields "
        "and advice, so the numbers compare no persons."
    )
    return (Section("operators", say("By operator"), (uptake_figure(data.operators, by_operator()), Prose(about))),)


def _reading(data: FollowedPageData, season: Season, shown: DisplayUnits) -> Section:
    judged = say(
        "A change counts from the mean of the shift before. With less than half an hour of readings in the field and "
        "on the topsoil that the advice was for, it cannot be judged."
    )
    saved = say(
        "Saved: the soil predicted without the changes less the soil in the loads, compared with like shifts that did "
        "not make theirs. Root losses are not in it: too few plots are dug."
    )
    found = not_made_words(data.outcome, shown), calibration_words(data.outcome, shown)
    texts = (judged, saved, *found, withheld_words(data.outcome.verdicts))
    slopes = setting_slopes_table(data.outcome, season.catalogue, shown)
    fold = () if slopes is None else (Fold(say("Promise and saving of each setting"), (slopes,)),)
    return Section("how", say("How to read it"), (*(Prose(text) for text in texts if text), *fold))


def followed_page(data: FollowedPageData, season: Season) -> Page:
    """Return the page on the advice of the season."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    sections = (
        (
            _weeks(data, shown),
            _machines(data, season, shown),
            *_operators(data),
            recent_section(data.recent, season.catalogue, shown),
            _reading(data, season, shown),
        )
        if data.outcome.has_moves
        else (_reading(data, season, shown),)
    )
    return Page(
        headline(data.outcome, shown),
        season_line(season.name, shown, data.outcome.total["last_shift"]),
        lead_words(data.outcome, shown),
        say(CAUTION),
        sections,
        footer(data.footer),
        name=say("Advice followed"),
    )


def write_followed(data: FollowedPageData, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write `followed.html` into `out`, and its PDF and workbook if requested; return the paths."""
    with use_language(season.locale, season.texts):
        return write_page(followed_page(data, season), out / FOLLOWED_PAGE, formats)
