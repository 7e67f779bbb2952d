"""Guide and cards: changes are the only values in bold, and the picker shows one class at a time."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import polars as pl
import pytest

from flows import stages
from reports.language.display_units import DisplayUnits
from reports.language.precision import setting_value
from reports.page.model import Figure, Fold, Prose
from reports.pages.guide import guide_page, guide_title, write_guide
from reports.pages.guide_card import card_name
from reports.pages.guide_class import _curve
from reports.pages.guide_data import load_guide_page
from reports.pages.guide_values import is_change
from tests.support.program import Demo
from tests.unit.reports.chromium import choose, evaluate, opened, unfold
from transforms.config.settings_catalogue import load_catalogue
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES

METRIC, US = (DisplayUnits(system, "EUR", "UTC") for system in ("metric", "us"))
CATALOGUE = load_catalogue()


def row(setting: str, start: float, usual: float | None, code: str = "best_of_tried") -> dict[str, object]:
    return {
        "setting": setting,
        "unit": CATALOGUE[setting].unit,
        "start_value": start,
        "usual_value": usual,
        "reason_code": code,
    }


@pytest.mark.parametrize(
    ("r", "changed"),
    [
        (row("intake_roller_speed_pct", 65.0, 53.2), True),
        (row("ground_speed_kmh", 5.75, 5.93), False),
        (row("ground_speed_kmh", 5.5, 5.75), True),
        (row("topper_speed_rpm", 850.0, 912.0, "no_clear_optimum"), False),
        (row("intake_roller_speed_pct", 65.0, 53.2, "usual_without_loss_effect"), False),
        (row("share_depth_cm", 6.5, None), False),
    ],
)
def test_a_change_is_a_better_value_at_least_half_a_step_away(r, changed):
    assert is_change(r, CATALOGUE, METRIC) is changed


def test_two_values_shown_alike_are_not_a_change():
    fine = {**CATALOGUE, "share_depth_cm": replace(CATALOGUE["share_depth_cm"], step=0.02)}
    close = row("share_depth_cm", 6.60, 6.58)
    assert not is_change(close, fine, METRIC)
    assert not is_change(close, fine, US)


def changes_by_hand(settings: pl.DataFrame) -> dict[tuple[str, ...], set[str]]:
    """Return the settings to change in each class and generation, from polars expressions on `guide`."""
    step = pl.col("setting").replace_strict({n: float(s.step) for n, s in CATALOGUE.items()}, return_dtype=pl.Float64)
    moved = settings.filter(
        pl.col("reason_code") == "best_of_tried", (pl.col("start_value") - pl.col("usual_value")).abs() * 2 >= step
    )
    keys = ["generation", "wetness_class", "soil_class"]
    found: dict[tuple[str, ...], set[str]] = {tuple(r): set() for r in settings.select(keys).unique().iter_rows()}
    for r in moved.iter_rows(named=True):
        setting = CATALOGUE[r["setting"]]
        if setting_value(r["start_value"], setting, METRIC) != setting_value(r["usual_value"], setting, METRIC):
            found[tuple(r[k] for k in keys)].add(setting.label)
    return found


@pytest.fixture(scope="module")
def data(demo: Demo, written):  # noqa: ARG001  the pages are written first
    with stages.open_warehouse(demo.workspace) as warehouse:
        return load_guide_page(warehouse)


def test_the_bold_values_of_the_page_are_the_changes_of_the_table(data, demo: Demo):
    page = guide_page(data, demo.workspace.season)
    expected = changes_by_hand(data.settings)
    bold = {
        t.name.removeprefix("guide "): {r.cells[0].text.lower() for r in t.rows if r.cells[1].strong}
        for t in page.tables
        if t.name.startswith("guide ")
    }
    assert all(len(t.name) <= 31 for t in page.tables)  # the longest name of a worksheet
    assert bold == {", ".join(k): {label.lower() for label in labels} for k, labels in expected.items()}
    assert not any(c.strong for t in page.tables for r in t.rows for i, c in enumerate(r.cells) if i != 1)
    counts = {len(v) for v in expected.values()}
    assert [int(n) for n in re.findall(r"\d+", page.title)] == sorted({min(counts), max(counts)})


def test_the_title_counts_nothing_if_nothing_changes(data):
    flat = data.settings.with_columns(pl.lit("no_clear_optimum").alias("reason_code"))
    assert not re.search(r"\d", guide_title(flat, CATALOGUE, METRIC))
    assert guide_title(flat.clear(), CATALOGUE, METRIC) != guide_title(flat, CATALOGUE, METRIC)


def test_rounded_money_is_about(data, demo: Demo):
    page = guide_page(data, demo.workspace.season)
    texts = [b.summary for b in page.walk() if isinstance(b, Fold)]
    texts += [b.text for b in page.walk() if isinstance(b, Prose)]
    texts += [b.finding for b in page.walk() if isinstance(b, Figure)]
    amounts = [m for text in texts for m in re.finditer(r"(about )?[\d.,]+ EUR/t", text)]
    assert len(amounts) > 20
    assert [m[0] for m in amounts if m[1] is None] == []


@pytest.mark.parametrize("worst", [0.12, 0.0, -0.0025])
def test_a_value_that_costs_nothing_more_has_no_amount(worst: float):
    row = {"setting": "share_depth_cm", "unit": "cm", "reason_code": "best_of_tried", "start_value": 6.0}
    values = [
        ("share_depth_cm", v, c, c - 0.1, c + 0.1) for v, c in ((6.0, min(worst, 0.0)), (7.0, worst), (8.0, -0.01))
    ]
    columns = ["setting", "value", "cost_change_per_t", "lo95", "hi95"]
    figure = _curve(row, "curve", pl.DataFrame(values, schema=columns, orient="row"), CATALOGUE, METRIC)
    assert figure is not None
    assert (METRIC.money_per_t in figure.finding) == (worst > 0)


BOLD = """
return [...document.querySelectorAll('section#classes tbody tr > *, section#classes .finding')].map(e => {
  const inner = e.querySelector('strong') || e;
  return [e.innerText.trim(), Number(getComputedStyle(inner).fontWeight) >= 600, inner !== e]})
"""


@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_but_changes_is_bold_in_a_class(browser, written, data, width):
    opened(browser, written["guide"], width)
    unfold(browser)
    seen = evaluate(browser, BOLD)
    assert len(seen) > 100
    assert {text for text, is_bold, is_change in seen if is_bold != is_change} == set()
    assert sum(is_bold for _, is_bold, _ in seen) == sum(map(len, changes_by_hand(data.settings).values()))


class Bold(HTMLParser):
    """Parser that collects the name of the row and the class of every cell in bold of a card."""

    def __init__(self) -> None:
        super().__init__()
        self.found: set[tuple[str, str]] = set()
        self.row, self.in_head, self.class_ = "", False, ""

    def handle_starttag(self, tag, attrs):
        marks = dict(attrs)
        self.in_head = tag == "th" and marks.get("scope") == "row"
        self.class_ = marks.get("data-class", self.class_) if tag != "tr" else ""
        if tag == "strong":
            self.found.add((self.row, self.class_))

    def handle_data(self, data):
        if self.in_head:
            self.row, self.in_head = data, False


def test_the_bold_cells_of_a_card_are_the_changes_of_the_table(data, written):
    by_class = changes_by_hand(data.settings)
    for generation in data.settings["generation"].unique():
        seen = Bold()
        seen.feed((written["guide"].parent / card_name(generation)).read_text("utf-8"))
        expected = {
            (label.lower(), f"{w}|{s}") for (g, w, s), labels in by_class.items() if g == generation for label in labels
        }
        assert {(name.lower(), class_) for name, class_ in seen.found} == expected


SEEN = (
    "return [...document.querySelectorAll('#classes > details.fold')].filter(d => !d.hidden)"
    ".map(d => [d.dataset.wetness, d.dataset.soil, d.open])"
)


@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_shows_one_class_at_a_time(browser, written, data, width):
    opened(browser, written["guide"], width)
    generations = data.settings["generation"].n_unique()
    seen = evaluate(browser, SEEN)
    assert len(seen) == generations
    most = data.classes.drop_nulls("dirt_pct").sort("n")["n"][-1]
    first = data.classes.filter(pl.col("n") == most).select("wetness_class", "soil_class").unique().rows()
    assert tuple(seen[0][:2]) in first
    assert all(open_ for *_, open_ in seen)
    if width == 390:
        top = evaluate(browser, "return document.querySelector('#classes tbody tr').getBoundingClientRect().top")
        assert top < 844
    other = next(
        c
        for c in data.classes.drop_nulls("dirt_pct").select("wetness_class", "soil_class").rows()
        if c != tuple(seen[0][:2])
    )
    choose(browser, "wetness", other[0])
    choose(browser, "soil", other[1])
    assert {tuple(s[:2]) for s in evaluate(browser, SEEN)} == {other}
    evaluate(browser, "document.querySelector('.filters button[type=reset]').click()")
    assert len(evaluate(browser, SEEN)) == data.classes.height


SHOWN_CELLS = (
    "return [...document.querySelectorAll('.card-table td')].filter(c => c.offsetParent !== null)"
    ".map(c => c.dataset.class)"
)


def test_a_card_shows_one_class_on_a_phone_and_all_on_a_desk_and_on_paper(browser, written):
    opened(browser, written["card"], 1280)
    every = evaluate(browser, SHOWN_CELLS)
    assert set(every) == {f"{w}|{s}" for w in WETNESS_CLASSES for s in SOIL_CLASSES}
    opened(browser, written["card"], 390)
    chosen = evaluate(browser, "return [...document.querySelectorAll('.picker select')].map(s => s.value).join('|')")
    assert set(evaluate(browser, SHOWN_CELLS)) == {chosen}
    evaluate(
        browser,
        "const s = document.querySelectorAll('.picker select')[1]; s.selectedIndex = (s.selectedIndex + 1) % 3;"
        "s.dispatchEvent(new Event('change', {bubbles: true}))",
    )
    after = evaluate(browser, SHOWN_CELLS)
    assert len(set(after)) == 1
    assert set(after) != {chosen}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert len(evaluate(browser, SHOWN_CELLS)) == len(every)
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_without_a_script_every_class_is_shown(browser, written):
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(written["card"].as_uri())
        shown = "document.querySelectorAll('.card-table td')"
        browser.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride", {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
        )
        cells = browser.execute_cdp_cmd(
            "Runtime.evaluate",
            {"expression": f"[...{shown}].every(c => c.offsetParent !== null)", "returnByValue": True},
        )
        assert cells["result"]["value"] is True
        browser.get(written["guide"].as_uri())
        folds = browser.execute_cdp_cmd(
            "Runtime.evaluate",
            {
                "expression": "[...document.querySelectorAll('#classes > details')].every(d => !d.hidden)",
                "returnByValue": True,
            },
        )
        assert folds["result"]["value"] is True
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_hostile_names_of_generations_are_inert(data, demo: Demo, tmp_path, browser):
    evil = "<script>window.broken=1</script>"
    tables = ("classes", "settings", "curves")
    renamed = replace(data, **{n: getattr(data, n).with_columns(pl.col("generation") + evil) for n in tables})
    paths = write_guide(renamed, demo.workspace.season, tmp_path)
    assert len(paths) == 1 + data.settings["generation"].n_unique()
    for path in paths:
        assert evil not in path.read_text("utf-8")
        opened(browser, path, 390)
        assert evaluate(browser, "return window.broken === undefined")
