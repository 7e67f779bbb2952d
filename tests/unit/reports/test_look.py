"""Design system: colours distinguishable for everyone and in greyscale, charts with intervals and n in tooltips."""

import json
import re
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from reports.charts.effect_grid import STANDINGS
from reports.language.display_units import DisplayUnits
from reports.language.translate import use_language
from reports.page import theme
from reports.page.html import own_file
from reports.page.links import shift_pages
from reports.page.summary import BarRows, PartBar, Tiles
from reports.pages.season import season_page
from reports.pages.season_appendix import season_appendix
from reports.pages.season_data import load_season_page
from reports.pages.shift_data import load_shift_page
from reports.pages.shift_evidence import evidence_pages
from tests.support.program import Demo
from transforms.storage.warehouse import Warehouse

EYES = {
    "usual": np.eye(3),
    # Machado, Oliveira and Fernandes 2009, severity 1.0.
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
TOGETHER = {
    "wetness": list(theme.WETNESS.values()),
    "soil": list(theme.SOIL.values()),
    "worse and better": [theme.WORSE, theme.BETTER],
    "observed and expected": [theme.OBSERVED, theme.EXPECTED],
    "funnel": [theme.INK, theme.BETTER, theme.WORSE],
    "readings": [theme.EXPECTED, theme.WETNESS["dry"], theme.OBSERVED],
    "uptake": list(theme.UPTAKE_COLOURS.values()),
    "effect estimates": [s.colour for s in STANDINGS.values()],
    "settings of a shift": theme.LINES[:4],
}
"""Colours used together in one chart."""
SHAPED = {"wetness", "soil", "funnel", "readings", "effect estimates", "settings of a shift"}
"""Groups distinguished by shape, dash or sign as well."""


def linear(colour: str) -> np.ndarray:
    rgb = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of linear sRGB, white D65."""
    to_xyz = np.array(
        [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
    )
    t = to_xyz @ np.clip(rgb, 0, 1) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("group", TOGETHER)
def test_colours_of_one_chart_are_distinguishable_for_every_eye(group, eye):
    """CIE76 distance; two just differ at 2.3 (Mahy et al. 1994)."""
    seen = [lab(EYES[eye] @ linear(c)) for c in TOGETHER[group]]
    nearest = min(float(np.linalg.norm(a - b)) for a, b in combinations(seen, 2))
    assert nearest > (10 if group in SHAPED else 20)


@pytest.mark.parametrize("colour", [theme.INK, theme.MUTED])
def test_words_in_charts_are_read_on_the_page(colour):
    """WCAG 2.1 requires a contrast of at least 4.5 to 1."""
    y = [float(np.array([0.2126, 0.7152, 0.0722]) @ linear(c)) for c in (colour, "#f4f0e8")]
    assert (max(y) + 0.05) / (min(y) + 0.05) >= 4.5


def test_charts_and_style_sheet_share_their_ink():
    style = own_file("style.css")
    assert f"--ink: {theme.INK}" in style
    assert f"--muted: {theme.MUTED}" in style
    assert f"--rule: {theme.RULE}" in style
    assert theme.INK in own_file("page.typ")


def tooltips(node: object) -> list[str]:
    if isinstance(node, dict):
        own = node.get("tooltip")
        titles = [t.get("title", "") for t in own if isinstance(t, dict)] if isinstance(own, list) else []
        return titles + [t for v in node.values() for t in tooltips(v)]
    return [t for v in node for t in tooltips(v)] if isinstance(node, list) else []


OF_SINGLE_THINGS = {"shift-passes", "shift-passes-plain", "load-why"}
"""Charts of half minutes and of exact sums, which have no interval."""


def test_tooltips_show_the_interval_of_every_estimate(page_html):
    seen = 0
    for name in ("shift-machines", "shift-loads", "shift-effects", "season", "season-appendix", "fleet", "guide"):
        shared = {n: json.loads(s) for n, s in re.findall(r'id="spec-([\w-]+)">(.*?)</script>', page_html[name])}
        own = [
            json.loads(s)["spec"]
            for s in re.findall(r'class="chart-spec"[^>]*>(\{"spec".*?)</script>', page_html[name])
        ]
        for spec in [s for n, s in shared.items() if n not in OF_SINGLE_THINGS] + own:
            titles = tooltips(spec)
            if (
                "Topsoil wetness of light" in spec["description"]
                or "Expected sugar loss per tonne" in spec["description"]
            ):
                continue  # calculated from weather and prices, not estimated
            assert any("95 %" in t for t in titles), (name, spec["description"])
            seen += 1
    assert seen > 15


def test_us_units_reach_the_season_report(demo: Demo, written):  # noqa: ARG001  the pages are written first
    season = replace(demo.workspace.season, units="us", locale="en-US", currency="USD")
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse, use_language("en-US"):
        data = load_season_page(warehouse, season)
        report, appendix = season_page(data, season), season_appendix(data, season)
        shift = load_shift_page(warehouse, season)
        us = DisplayUnits(season.units, season.currency, season.time_zone)
        evidence = evidence_pages(shift, season, us, shift_pages(shift.shift))
    heads = " ".join(c.head for page in evidence.values() for t in page.tables for c in t.columns)
    assert "Root loss, ton/acre" in heads
    assert "Air, °F" in heads
    assert "Rain 24 h, in" in heads
    columns = [c.head for page in (report, appendix) for t in page.tables for c in t.columns]
    rows = [
        f"{r.title} {r.action} {r.before} {r.after} {r.more}"
        for b in report.walk()
        if isinstance(b, BarRows)
        for r in b.rows
    ]
    parts = [p.about for b in report.walk() if isinstance(b, PartBar) for p in b.parts]
    tiles = [f"{t.label} {t.value} {t.word}" for b in report.walk() if isinstance(b, Tiles) for t in b.tiles]
    text = " ".join([report.lead, report.when, *columns, *rows, *parts, *tiles, *(f.finding for f in appendix.figures)])
    assert "ton/acre" in text
    assert "USD/ton" in text
    assert "lb per ton" in text
    assert "mph" in text
    assert re.search(r"\d short tons of sugar\b", text)
    assert not re.search(r"\d (t|ton(?!/)|cm|mm|km/h|kg)\b", text)
