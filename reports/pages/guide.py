"""Setting guide as a page, and one card per machine type."""

from pathlib import Path

import polars as pl

from reports.language.basis_messages import earlier_note
from reports.language.display_units import DisplayUnits
from reports.language.labels import conditions_label
from reports.language.translate import say, say_n, translated, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.model import Filters, Fold, Page, Prose, Section
from reports.page.summary import PageLink, PageLinks
from reports.pages.guide_card import card_name, usual_class, write_card
from reports.pages.guide_class import CLASS, class_fold
from reports.pages.guide_data import GuidePageData
from reports.pages.guide_values import is_change, money_span
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer, health_section
from reports.sections.parts_ahead import compared_section
from reports.sections.prices import assumption_words, price_section
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.storage.product_basis import GUIDE


def guide_finding(classes: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return a sentence on the classes covered by the guide and the class with the largest saving."""
    known = classes.drop_nulls("saved_per_t")
    if not known.height:
        return say("There is no guide yet: no class of conditions has enough loads.")
    best = known.sort("saved_per_t").row(-1, named=True)
    return say(
        "{covered} of {all} classes have enough loads for a guide. The largest saving against the usual settings is on "
        "type {generation} in {conditions}: {saved}.",
        covered=known.height,
        all=classes.height,
        generation=best["generation"],
        conditions=conditions_label(best["wetness_class"], best["soil_class"]),
        saved=money_span(best, ("saved_per_t", "saved_lo95", "saved_hi95"), shown),
    )


def guide_title(settings: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the page's answer: the number of settings to change in a class, from the fewest to the most."""
    if not settings.height:
        return say("There is no guide yet")
    counts: dict[tuple[str, ...], int] = {}
    for r in settings.iter_rows(named=True):
        key = tuple(r[c] for c in CLASS)
        counts[key] = counts.get(key, 0) + is_change(r, catalogue, shown)
    fewest, most = min(counts.values()), max(counts.values())
    if not most:
        return say("Keep the usual settings")
    if fewest == most:
        return say_n("Change {n} setting, keep the rest", "Change {n} settings, keep the rest", most)
    return say("Change {fewest} to {most} settings, keep the rest", fewest=fewest, most=most)


def _folds(data: GuidePageData, catalogue: Catalogue, shown: DisplayUnits) -> tuple[Fold, ...]:
    """Return a fold per class and generation; the generations of a class follow each other."""
    order = {c: i for i, c in enumerate((*WETNESS_CLASSES, *SOIL_CLASSES))}
    cells = sorted(
        data.classes.iter_rows(named=True), key=lambda c: (order[c["wetness_class"]], order[c["soil_class"]])
    )
    folds = []
    for cell in cells:
        in_class = pl.all_horizontal(pl.col(c) == cell[c] for c in CLASS)
        folds.append(class_fold(cell, data.settings.filter(in_class), data.curves.filter(in_class), catalogue, shown))
    return tuple(folds)


def _explanation(season: Season, shown: DisplayUnits) -> Fold:
    reading = say(
        "A bold value has the lowest expected cost per {t} of clean beet for a usual machine and field in the middle "
        "of the class, within the range this fleet has tried there. “Equally good” is the range of values whose cost "
        "does not differ from it with 95 % certainty; if that is nearly the whole tried range, the usual value is "
        "kept. Dirt, root loss and cost are means at these settings; 95 % of such visits are within the figures in "
        "brackets. These are measured associations within visits, not promises.",
        t=shown.sign("t"),
    )
    return Fold(say("How to read it"), (Prose(f"{reading} {assumption_words(season)}"),))


def _generations(settings: pl.DataFrame) -> list[str]:
    return [str(g) for g in settings["generation"].unique(maintain_order=True)]


def guide_page(data: GuidePageData, season: Season) -> Page:
    """Return the guide page."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    wet, soil = (tuple((c, translated(c)) for c in classes) for classes in (WETNESS_CLASSES, SOIL_CLASSES))
    picker = Filters({"wetness": (say("Topsoil"), wet), "soil": (say("Soil"), soil)}, usual_class(data.classes))
    cards = PageLinks(
        tuple(
            PageLink(say("Card of type {name}", name=g), card_name(g), say("one sheet for the cab"))
            for g in _generations(data.settings)
        )
    )
    parts = compared_section(data.parts, data.suggested_trials, season.catalogue, shown)
    return Page(
        guide_title(data.settings, season.catalogue, shown),
        season.name,
        say("Changes are bold.") if data.settings.height else guide_finding(data.classes, shown),
        say(CAUTION) + " " + say("The values are starting points."),
        (
            Section("reading", "", (*earlier_note(GUIDE, data.status), picker), data.status.code),
            Section("classes", "", _folds(data, season.catalogue, shown)),
            *(() if parts is None else (parts,)),
            Section("explanation", "", (*((cards,) if cards.links else ()), _explanation(season, shown))),
            health_section(data.health, season.catalogue, shown),
            price_section(season),
        ),
        footer(data.footer),
        name=say("Setting guide"),
    )


def write_guide(data: GuidePageData, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write `guide.html` and `card-GENERATION.html` for each generation; return their paths, the guide first."""
    with use_language(season.locale, season.texts):
        paths = write_page(guide_page(data, season), out / "guide.html", formats)
        return paths + [write_card(data, g, season, out) for g in _generations(data.settings)]
