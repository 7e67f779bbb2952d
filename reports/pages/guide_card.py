"""Setting card of one machine type for the cab: one sheet on paper, one class at a time on a phone."""

from pathlib import Path
from typing import Any

import polars as pl
from markupsafe import Markup

from reports.language.basis_messages import earlier_note
from reports.language.display_units import DisplayUnits
from reports.language.labels import capital, setting_label
from reports.language.precision import setting_value
from reports.language.translate import say, translated
from reports.page.html import own_file, render
from reports.pages.guide_data import GuidePageData
from reports.pages.guide_values import is_change, value_range, value_to_set
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer
from reports.sections.prices import assumption_words
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.contracts.naming import safe_name
from transforms.storage.product_basis import GUIDE


def usual_class(classes: pl.DataFrame) -> dict[str, str]:
    """Return topsoil and soil of the class with the most loads among those with a guide; empty if there is none."""
    known = classes.drop_nulls("dirt_pct").sort("n", descending=True, maintain_order=True)
    if not known.height:
        return {}
    return {"wetness": known["wetness_class"][0], "soil": known["soil_class"][0]}


def card_name(generation: str) -> str:
    """Return the file name of a generation's card."""
    return f"card-{safe_name(generation)}.html"


def card_rows(settings: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> list[dict[str, Any]]:
    """Return one row per setting with its value in each class; a change has the range of equally good values too."""
    by = {(r["setting"], r["wetness_class"], r["soil_class"]): r for r in settings.iter_rows(named=True)}

    def cell(name: str, wet: str, soil: str) -> dict[str, Any] | None:
        r = by.get((name, wet, soil))
        if r is None:
            return None
        changed = is_change(r, catalogue, shown)
        return {
            "value": setting_value(value_to_set(r, catalogue, shown), catalogue[name], shown),
            "changed": changed,
            "range": value_range(r, "range_lo", "range_hi", catalogue, shown) if changed else "",
        }

    names = settings["setting"].unique(maintain_order=True).to_list()
    return [
        {
            "label": capital(setting_label(n, catalogue)),
            "cells": [cell(n, w, s) for w in WETNESS_CLASSES for s in SOIL_CLASSES],
        }
        for n in names
    ]


def write_card(data: GuidePageData, generation: str, season: Season, out: Path) -> Path:
    """Write the card of one generation in the current language and return its path."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    settings = data.settings.filter(pl.col("generation") == generation)
    return render(
        "card.html.j2",
        out / card_name(generation),
        season=season,
        generation=generation,
        rows=card_rows(settings, season.catalogue, shown),
        wetnesses=[(w, translated(w)) for w in WETNESS_CLASSES],
        soils=[(s, translated(s)) for s in SOIL_CLASSES],
        start=usual_class(data.classes.filter(pl.col("generation") == generation)),
        caution=say(CAUTION),
        earlier=earlier_note(GUIDE, data.status),
        assumptions=assumption_words(season),
        footer=footer(data.footer),
        own_script=Markup(own_file("card.js")),  # noqa: S704  our own file
    )
