"""Page of what-if questions: six main sliders, a cost curve, values as operators set them, results that stay."""

import datetime as dt
import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from flows import stages
from reports.language.display_units import DisplayUnits
from reports.language.precision import setting_value
from reports.pages.what_if import write_what_if
from reports.pages.what_if_data import load_what_if_page
from tests.support.program import Demo
from tests.unit.advice.test_part_advice import compared
from tests.unit.reports.chromium import console_errors, evaluate, opened, overflow
from transforms.advice.part_evidence import FleetParts
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.advice.what_if_parts import part_choices
from transforms.config.settings_catalogue import load_catalogue
from transforms.model.fitted_parts import PART_SCHEMA

MOVE = (
    "const s = document.getElementById(arguments[0]); s.value = arguments[1]; s.dispatchEvent(new Event('input'));"
    "return Number(s.value)"
)
CONDITIONS = ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha")
REVERSED = "rear_roller_reversed"
PHONE = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}


@pytest.fixture(scope="module")
def data(demo: Demo):
    with stages.open_warehouse(demo.workspace) as warehouse:
        return load_what_if_page(warehouse, demo.workspace.what_if)


def query_of(browser) -> dict[str, float]:
    """Return the conditions of the page's sliders."""
    return {n: float(evaluate(browser, f"return document.getElementById('at-{n}').value")) for n in CONDITIONS}


def two_digits(cost: float) -> str:
    """Return a cost from 1 to 100 as the page shows money."""
    return f"{cost:.{1 if cost < 9.95 else 0}f}"


def test_the_six_main_sliders_have_the_largest_effects_on_cost(browser, written, data):
    opened(browser, written["what-if"], 390)
    names = "return [...document.querySelectorAll(arguments[0] + ' input')].map(s => s.name)"
    main, more = (evaluate(browser, names, part) for part in ("#main-settings", "#more-settings"))
    assert len(main) == 6
    assert set(main) | set(more) == set(data.table["settings"])
    assert min(data.cost_effects[n] for n in main) >= max(data.cost_effects[n] for n in more)
    assert evaluate(browser, "return document.querySelector('#more-settings').closest('details').open") is False


@pytest.mark.parametrize(
    ("slider", "kind"),
    [
        ("share_depth_cm", "set"),
        ("clay_pct", "at"),
        pytest.param("cleaner_3_speed_rpm", "set", marks=pytest.mark.slow),
    ],
)
def test_the_curve_is_that_of_the_command(browser, written, data, slider, kind):
    """The page's script and `answer_query` give the same cost and band at both ends and in the middle."""
    opened(browser, written["what-if"], 1280)
    moved = evaluate(browser, MOVE, "set-ground_speed_kmh", data.table["usual"]["ground_speed_kmh"] - 0.5)
    evaluate(
        browser, MOVE, f"{kind}-{slider}", evaluate(browser, f"return document.getElementById('{kind}-{slider}').max")
    )
    points = evaluate(browser, "return window.taretraceCost()")
    assert len(points) > 10
    q = query_of(browser)
    for p in (points[0], points[len(points) // 2], points[-1]):
        settings = {"ground_speed_kmh": moved}
        if kind == "set":
            settings[slider] = p["value"]
        own = answer_query(
            data.table, WhatIfQuery(**(q if kind == "set" else {**q, slider: p["value"]}), settings=settings)
        )
        assert p["mean"] == pytest.approx(own.cost_per_t.mean, rel=1e-6)
        if kind == "at":
            assert [p["lo"], p["hi"]] == pytest.approx(own.cost_per_t[1:], rel=1e-6)
            continue
        before = own.cost_per_t.mean + own.saved_per_t.mean
        assert [p["lo"], p["hi"]] == pytest.approx(
            [before - own.saved_per_t.hi95, before - own.saved_per_t.lo95], rel=1e-6
        )
    assert [p["value"] for p in points] == sorted(p["value"] for p in points)


def test_a_direction_is_a_switch_with_the_answers_of_the_command(browser, written, data):
    opened(browser, written["what-if"], 1280)
    usual, shown = data.table["usual"][REVERSED], load_catalogue()[REVERSED]
    find = f"const s = document.getElementById('set-{REVERSED}'); "
    state = (
        find
        + "return [s.type, s.getAttribute('role'), s.checked, document.getElementById(s.id + '-value').textContent]"
    )
    metric = DisplayUnits("metric", "EUR", "UTC")
    words = {value: setting_value(value, shown, metric) for value in (0.0, 1.0)}
    assert evaluate(browser, state) == ["checkbox", "switch", usual == 1.0, words[usual]]
    evaluate(browser, find + "s.click()")
    assert evaluate(browser, state)[2:] == [usual == 0.0, words[1.0 - usual]]
    points = evaluate(browser, "return window.taretraceCost()")
    assert [p["value"] for p in points] == [0.0, 1.0]
    for p in points:
        own = answer_query(data.table, WhatIfQuery(**query_of(browser), settings={REVERSED: p["value"]}))
        assert p["mean"] == pytest.approx(own.cost_per_t.mean, rel=1e-6)
        assert p["hi"] - p["mean"] == pytest.approx(own.saved_per_t.mean - own.saved_per_t.lo95, rel=1e-6, abs=1e-9)
    evaluate(browser, "document.getElementById('usual').click()")
    assert evaluate(browser, state)[2:] == [usual == 1.0, words[usual]]


def test_values_outside_the_tried_range_are_dashed(browser, written, data):
    opened(browser, written["what-if"], 1280)
    evaluate(browser, MOVE, "set-share_depth_cm", data.table["usual"]["share_depth_cm"] + 0.25)
    points = evaluate(browser, "return window.taretraceCost()")
    wet, soil = (
        evaluate(browser, "return document.getElementById('where').textContent").split(" soil")[0].split(" topsoil, ")
    )
    low, high = data.table["tried"][f"{wet}|{soil}"]["settings"]["share_depth_cm"]
    for p in points:
        assert p["tried"] is (low - 1e-9 <= p["value"] <= high + 1e-9), p
    dashed = evaluate(browser, "return document.querySelectorAll('#curve .line.untried').length")
    assert dashed == sum(not (a["tried"] and b["tried"]) for a, b in pairwise(points))


def test_the_curve_has_a_text_with_its_values(browser, written, data):
    opened(browser, written["what-if"], 390)
    evaluate(browser, MOVE, "set-share_depth_cm", data.table["usual"]["share_depth_cm"] + 0.5)
    role, label = evaluate(
        browser,
        "const c = document.getElementById('curve'); return [c.getAttribute('role'), c.getAttribute('aria-label')]",
    )
    points = evaluate(browser, "return window.taretraceCost()")
    assert role == "img"
    numbers = re.findall(r"\d+(?:\.\d+)?", label)
    setting, metric = load_catalogue()["share_depth_cm"], DisplayUnits("metric", "EUR", "UTC")
    for p in (points[0], points[-1]):
        assert setting_value(p["value"], setting, metric, unit=False) in numbers
        assert two_digits(p["mean"]) in numbers
    best = min((p for p in points if p["tried"]), key=lambda p: p["mean"])
    assert any(abs(float(n) - best["value"]) < 0.25 for n in numbers)
    assert evaluate(browser, "return document.getElementById('curve-finding').textContent") in label


@pytest.mark.parametrize("system", [pytest.param("metric", marks=pytest.mark.slow), "us"])
def test_sliders_show_the_values_that_operators_set(browser, demo: Demo, data, tmp_path, system):
    season = replace(demo.workspace.season, units=system, currency="USD")
    opened(browser, write_what_if(data, season, tmp_path), 1280)
    assert console_errors(browser) == []
    shown = DisplayUnits(system, "USD", "UTC")
    seen = evaluate(
        browser,
        "return [...document.querySelectorAll('[data-kind=setting]')].flatMap(s => [0, 0.3, 0.5, 0.9].map(at => {"
        " const on = at > 0.4, isSwitch = s.type === 'checkbox'; s.checked = on;"
        " if (!isSwitch) s.value = Number(s.min) + at * (s.max - s.min); s.dispatchEvent(new Event('input'));"
        " const value = isSwitch ? Number(on) : Number(s.value);"
        " return [s.name, value, document.getElementById(s.id + '-value').textContent] }))",
    )
    assert {name for name, _, _ in seen} == set(data.table["settings"])
    for name, stored, text in seen:
        assert text == setting_value(stored, season.catalogue[name], shown), (name, stored)
    assert len(seen) > 40


@pytest.mark.parametrize("width", [390, 1280])
def test_the_axes_of_the_curve_have_titles_with_units_that_cover_nothing(browser, written, width):
    opened(browser, written["what-if"], width)
    for slider, unit in (("set-share_depth_cm", "cm"), ("at-yield_t_ha", "t/ha"), ("set-separator_2_height_mm", "mm")):
        evaluate(browser, MOVE, slider, evaluate(browser, f"return document.getElementById('{slider}').min"))
        label = evaluate(browser, f"return document.getElementById('{slider}').dataset.label")
        titles, covered = evaluate(
            browser,
            "const texts = [...document.querySelectorAll('#curve text')], frame = document.querySelector('#curve')"
            ".getBoundingClientRect(), boxes = texts.map(t => t.getBoundingClientRect());"
            "const meet = (p, q) => p.left < q.right && q.left < p.right && p.top < q.bottom && q.top < p.bottom;"
            "return [texts.filter(t => t.matches('.axis')).map(t => t.textContent), boxes.filter((p, i) =>"
            " p.left < frame.left || p.right > frame.right || boxes.some((q, j) => j > i && meet(p, q))).length]",
        )
        assert titles == [f"{label}, {unit}", "cost, EUR/t"]
        assert covered == 0


def test_no_result_is_shown_as_an_exact_zero_unless_it_is_one(browser, written):
    opened(browser, written["what-if"], 390)
    shown = "return ['saved', 'saved-range', 'loss'].map(id => document.getElementById(id).textContent)"
    assert evaluate(browser, shown)[:2] == ["0", ""]
    numbers = evaluate(
        browser,
        "const n = taretraceNumbers({decimal: '.', group: ',', about_zero: 'about 0'});"
        "return [n.known(0.0004, 2, true), n.known(-0.004, 2), n.known(0.0051, 2, true),"
        " n.end(-0.004, 2), n.end(0.3, 2)];",
    )
    assert numbers == ["about 0", "about 0", "+0.01", "0", "0.30"]


def test_results_stay_visible_and_leave_room_for_the_sliders(browser, written):
    opened(browser, written["what-if"], 390)
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", PHONE)
    deepest = evaluate(browser, "return document.getElementById('set-share_depth_cm').max")
    for moved in (
        (),
        (("set-share_depth_cm", deepest), ("set-ground_speed_kmh", 99), ("set-intake_roller_height_mm", 0)),
    ):
        for name, value in moved:
            evaluate(browser, MOVE, name, value)
        assert evaluate(browser, "return document.getElementById('answer').offsetHeight") <= 844 / 3
    first = evaluate(
        browser, "return document.querySelectorAll('#main-settings .slider')[2].getBoundingClientRect().bottom"
    )
    assert first < 844
    for width in (390, 1280):
        opened(browser, written["what-if"], width)
        evaluate(
            browser, "document.getElementById('at-yield_t_ha').scrollIntoView({block: 'end'}); window.scrollBy(0, 120)"
        )
        top = evaluate(browser, "return document.getElementById('answer').getBoundingClientRect().top")
        assert 0 <= top < 844 / 3
        assert overflow(browser) <= 0


def test_the_heading_answers_the_question(browser, written, data):
    opened(browser, written["what-if"], 1280)
    text = "return document.getElementById('heading').textContent"
    usual = evaluate(browser, text)
    cost = answer_query(data.table, WhatIfQuery(**query_of(browser), settings={})).cost_per_t.mean
    assert re.findall(r"\d+(?:\.\d+)?", usual) == [two_digits(cost)]
    speed = evaluate(browser, MOVE, "set-ground_speed_kmh", data.table["usual"]["ground_speed_kmh"] + 0.5)
    saved = answer_query(
        data.table, WhatIfQuery(**query_of(browser), settings={"ground_speed_kmh": speed})
    ).saved_per_t.mean
    moved = evaluate(browser, text)
    assert float(re.findall(r"\d+\.\d+", moved)[0]) == pytest.approx(abs(saved), rel=0.06)
    assert ("Saves" in moved) == (saved > 0)
    evaluate(
        browser,
        MOVE,
        "set-share_depth_cm",
        evaluate(browser, "return document.getElementById('set-share_depth_cm').max"),
    )
    assert not re.search(r"\d", evaluate(browser, text))
    evaluate(browser, "document.getElementById('usual').click()")
    assert evaluate(browser, text) == usual


def test_hostile_labels_are_inert(browser, demo: Demo, data, tmp_path):
    evil = "</script><script>window.broken=1</script>\"'"
    settings = {n: {**s, "label": s["label"] + evil} for n, s in data.table["settings"].items()}
    path = write_what_if(replace(data, table={**data.table, "settings": settings}), demo.workspace.season, tmp_path)
    opened(browser, path, 390)
    for name in settings:
        evaluate(browser, MOVE, f"set-{name}", evaluate(browser, f"return document.getElementById('set-{name}').max"))
    assert evaluate(browser, "return window.broken === undefined")
    assert evil in evaluate(browser, "return document.getElementById('curve').getAttribute('aria-label')")
    assert console_errors(browser) == []


def planted_parts(table: dict[str, Any]) -> dict[str, Any]:
    """Return a table with two choices of parts, of which tines are compared on moist and wet topsoil alone."""
    rows = [
        {**compared(wet, change), "place": "cleaning", "part": "smooth bars", "reason_args": "{}"}
        for wet, change in (("moist", 20.0), ("wet", 40.0))
    ]
    mixed = {**compared("moist", 5.0), "place": "cleaning", "part": "mixed", "compared_with": "smooth bars"}
    at = dt.datetime(2025, 1, 1, tzinfo=dt.UTC)
    setups = pl.DataFrame(
        {
            "machine_id": ["A", "B", "C"],
            "valid_from_at": [at] * 3,
            "cleaning_elements": ["smooth bars", "tines", "mixed"],
        }
    )
    loads = pl.DataFrame({"machine_id": ["A", "A", "B", "C"], "shift_date": [dt.date(2025, 10, 1)] * 4})
    fleet = FleetParts(setups, pl.DataFrame([*rows, mixed], schema=PART_SCHEMA), {}, "UTC")
    return {**table, "parts": json.loads(json.dumps(part_choices(fleet, loads, list(table["responses"]), 30)))}


CHOOSE = (
    "const s = document.getElementById('part-cleaning'); s.value = arguments[0]; s.dispatchEvent(new Event('input'));"
    "return [s.selectedIndex, document.getElementById('part-cleaning-note').textContent,"
    " document.getElementById('answer').classList.contains('untried'), document.getElementById('dirt').textContent]"
)


@pytest.fixture(scope="module")
def page_with_parts(demo: Demo, data, tmp_path_factory) -> tuple[dict[str, Any], Path]:
    table = planted_parts(data.table)
    folder = tmp_path_factory.mktemp("parts")
    return table, write_what_if(replace(data, table=table), demo.workspace.season, folder)


def test_a_part_is_a_choice_with_the_answers_of_the_command(browser, page_with_parts):
    table, path = page_with_parts
    opened(browser, path, 1280)
    evaluate(browser, MOVE, "at-topsoil_wetness", 0.5)
    options = "return [...document.getElementById('part-cleaning').options].map(o => o.value)"
    assert evaluate(browser, options) == ["smooth bars", "mixed", "tines"]
    chosen = evaluate(browser, CHOOSE, "tines")
    assert (chosen[0], chosen[2]) == (2, False)
    places = table["parts"]["places"]["cleaning"]["choices"]["tines"]["moist"]
    assert all(f"{abs(places[c]):.0f}" in chosen[1] for c in ("change_pct", "lo95", "hi95"))
    assert "200" in chosen[1]
    points = evaluate(browser, "return window.taretraceCost()")
    for p, part in zip(points, ("smooth bars", "mixed", "tines"), strict=True):
        own = answer_query(table, WhatIfQuery(**query_of(browser), settings={}, parts={"cleaning": part}))
        assert p["tried"] is True
        assert p["mean"] == pytest.approx(own.cost_per_t.mean, rel=1e-6)
        assert p["hi"] - p["mean"] == pytest.approx(own.saved_per_t.mean - own.saved_per_t.lo95, rel=1e-6, abs=1e-9)
    evaluate(browser, "document.getElementById('usual').click()")
    assert evaluate(browser, "return document.getElementById('part-cleaning').selectedIndex") == 0
    assert console_errors(browser) == []


def test_a_part_that_was_not_compared_on_such_topsoil_is_greyed_out(browser, page_with_parts):
    opened(browser, page_with_parts[1], 390)
    for wetness, part, is_out in (
        (0.5, "mixed", False),
        (0.8, "mixed", True),
        (0.8, "tines", False),
        (0.1, "tines", True),
    ):
        evaluate(browser, MOVE, "at-topsoil_wetness", wetness)
        _, note, out, _ = evaluate(browser, CHOOSE, part)
        tried = evaluate(browser, "return window.taretraceCost().map(p => p.tried)")
        assert out is is_out or not tried[0], (wetness, part, note)
        assert tried[("smooth bars", "mixed", "tines").index(part)] is (not is_out and tried[0])
    assert overflow(browser) <= 0


@pytest.mark.parametrize("width", [390, 1280])
def test_the_marks_of_parts_are_named_inside_the_chart(browser, page_with_parts, width):
    opened(browser, page_with_parts[1], width)
    evaluate(browser, MOVE, "at-topsoil_wetness", 0.5)
    evaluate(browser, CHOOSE, "tines")
    names, over = evaluate(
        browser,
        "const frame = document.querySelector('#curve').getBoundingClientRect(), texts = [...document.querySelectorAll("
        "'#curve text:not(.axis)')]; return [texts.map(t => t.textContent), texts.filter(t => { const b = "
        "t.getBoundingClientRect(); return b.left < frame.left || b.right > frame.right }).length]",
    )
    assert len(names) == 5
    assert over == 0
    assert evaluate(browser, "return document.querySelectorAll('#curve .whisker').length") == 3
