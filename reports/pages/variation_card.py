"""Cards of a variation plan: one page per machine with a value of each setting for each load, in large type."""

from dataclasses import asdict, dataclass
from pathlib import Path

from reports.language.display_units import DisplayUnits
from reports.language.labels import capital, setting_label
from reports.language.precision import setting_value
from reports.language.translate import locale, say, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import render
from reports.page.pdf import compile_pdf
from reports.sections.cautions import SAFETY_CAUTION
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season
from transforms.contracts.naming import safe_name
from transforms.variation.plan import MachinePlan, VariationPlan

LOADS_ON_PAGE = 18
"""Most loads on one page of A4 in large type; an even number, so that a pair is never divided."""


@dataclass(frozen=True)
class CardValue:
    """Value of a setting for a load: its text, and True for the higher level."""

    text: str
    is_high: bool


@dataclass(frozen=True)
class CardLine:
    """Line of a card: number of the load, from 1, and the value of each setting."""

    load: int
    values: tuple[CardValue, ...]


@dataclass(frozen=True)
class CardPage:
    """Page of one machine's card.

    Attributes:
        machine: the machine.
        where: shift and field.
        page: "page 2 of 3"; empty if the card has one page.
        heads: heading of each setting, with its unit.
        lines: loads in the order of lifting.
        instruction: when to set the values.
        fallback: values to return to if the machine blocks or breaks.
        missed: rule for a load that went wrong.
    """

    machine: str
    where: str
    page: str
    heads: tuple[str, ...]
    lines: tuple[CardLine, ...]
    instruction: str
    fallback: str
    missed: str


def _head(name: str, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the heading of a setting with its unit, so that lines hold nothing but numbers."""
    return f"{capital(setting_label(name, catalogue))}, {shown.sign(catalogue[name].unit)}"


def _fallback(machine: MachinePlan, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the sentence on the values to return to."""
    values = [
        f"{setting_label(s.name, catalogue)} {setting_value(s.base_value, catalogue[s.name], shown)}"
        for s in machine.settings
    ]
    if len(values) == 1:
        return say("If it blocks or breaks, go back to {value} and stop the plan.", value=values[0])
    return say(
        "If it blocks or breaks, go back to {first} and {second}, and stop the plan.", first=values[0], second=values[1]
    )


def card_pages(plan: VariationPlan, season: Season, shown: DisplayUnits) -> list[CardPage]:
    """Return the pages of a plan's cards, by machine."""
    catalogue = season.catalogue
    pages = []
    for machine in plan.machines:
        lines = tuple(
            CardLine(
                n,
                tuple(
                    CardValue(setting_value(v, catalogue[s.name], shown, unit=False), v == s.high_value)
                    for v, s in zip(values, machine.settings, strict=True)
                ),
            )
            for n, values in enumerate(machine.loads, 1)
        )
        parts = [lines[i : i + LOADS_ON_PAGE] for i in range(0, len(lines), LOADS_ON_PAGE)]
        many = len(machine.settings) > 1
        for k, part in enumerate(parts, 1):
            pages.append(
                CardPage(
                    machine.machine_id,
                    say("{day}, field {field}", day=shown.day(plan.shift_date), field=machine.field_id),
                    say("page {n} of {all}", n=k, all=len(parts)) if len(parts) > 1 else "",
                    tuple(_head(s.name, catalogue, shown) for s in machine.settings),
                    part,
                    say("Set both before the first beet of each load.")
                    if many
                    else say("Set it before the first beet of each load."),
                    _fallback(machine, catalogue, shown),
                    say("One line for each load, even for one that went wrong. Change nothing else."),
                )
            )
    return pages


def write_variation_cards(plan: VariationPlan, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write the cards of a plan as one file, and as PDF if asked for, and return the paths.

    Args:
        plan: the plan.
        season: the season.
        out: folder of pages.
        formats: other formats.
    """
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    path = out / f"variation-{safe_name(plan.plan_id)}.html"
    with use_language(season.locale, season.texts):
        pages, title = card_pages(plan, season, shown), say("Plan {name}", name=plan.plan_id)
        caution = say(SAFETY_CAUTION)
        paths = [render("variation.html.j2", path, title=title, pages=pages, caution=caution)]
        if formats.pdf:
            content = {
                "title": title,
                "lang": locale().language,
                "caution": caution,
                "heads": {"load": say("Load"), "done": say("Done")},
                "pages": [asdict(p) for p in pages],
            }
            paths.append(compile_pdf("variation.typ", content, path.with_suffix(".pdf")))
    return paths
