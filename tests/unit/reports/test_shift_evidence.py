"""Pages with the evidence behind a shift's advice, without a browser."""

import datetime as dt
import html
import re
from dataclasses import fields, replace

import polars as pl
import pytest

from flows import stages
from flows.stages import pages
from reports.language.display_units import DisplayUnits
from reports.language.labels import source_label
from reports.language.number_words import count_words
from reports.language.reason_text import format_reason
from reports.language.translate import use_language
from reports.page.links import shift_pages
from reports.pages.shift import all_tables, shift_page
from reports.pages.shift_data import load_shift_page
from reports.pages.shift_evidence import evidence_pages
from reports.sections.cautions import CAUTION, SAFETY_CAUTION
from reports.sections.prices import COUNTED, price_table
from reports.sections.shift_cards import card, machine_advice
from reports.sections.shift_headings import machines_title, prices_title, received_title
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.advice.advice_rows import ADVICE_SCHEMA
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices, Workspace
from transforms.contracts.reason import combine_reasons, reason
from transforms.model.load_decomposition import INTERCEPTS
from transforms.telemetry.set_points import OF_SET_POINT, OF_SIDES, OFFSET_SCHEMA

METRIC = DisplayUnits("metric", "EUR", "Europe/Prague")
NO_OFFSETS = pl.DataFrame(schema=OFFSET_SCHEMA)
SPAN = r"likely [−\d.,]+ to [−\d.,]+"


@pytest.fixture(scope="module")
def texts(advised: Workspace) -> dict[str, str]:
    """The pages of the shift by the last part of their names."""
    paths = pages.publish_shift_page(advised, QUIET)
    return {p.stem.split("-")[-1]: html.unescape(p.read_text()) for p in paths}


@pytest.mark.usefixtures("texts")
def test_the_first_page_links_to_every_page_with_evidence_and_each_links_back(advised):
    with stages.open_warehouse(advised) as warehouse:
        names = shift_pages(load_shift_page(warehouse, advised.season).shift)
    first = (advised.out / names.first).read_text()
    for name in (names.machines, names.loads, names.effects, names.received, names.prices):
        assert f'href="{name}"' in first
        assert f'href="{names.first}"' in (advised.out / name).read_text()


def test_cautions_are_on_the_pages_that_advise(texts, advised):
    assert CAUTION in texts["machines"]
    assert CAUTION in texts["prices"]
    first = html.unescape((advised.out / "shift.html").read_text())
    assert first.count(SAFETY_CAUTION) == 1


def test_failed_checks_of_a_fit_are_beside_its_effects(season: Season, tmp_path):
    workspace = copy_of(season, tmp_path / "season")
    failed, fine = reason("placebo_with_effect"), reason("tails", far_pct=0.0)
    rows = [
        ("dirt_tare_pct", "placebo", 0.001, 0.01, False, failed.code, failed.args, None),
        ("dirt_tare_pct", "tails", 0.0, 0.003, True, fine.code, fine.args, None),
    ]
    with stages.open_warehouse(workspace) as warehouse:
        schema = warehouse.table("fit_check").schema
        warehouse.replace("fit_check", pl.DataFrame(rows, schema=schema, orient="row"))
    (page,) = (p for p in pages.publish_shift_page(workspace, QUIET) if p.stem.endswith("-effects"))
    assert f"1 of 2 checks of this fit passed. Not passed: {format_reason(failed)}." in html.unescape(page.read_text())


def test_every_price_is_shown_with_where_it_is_from(texts):
    assert texts["prices"].count("(the default)") + texts["prices"].count(COUNTED) == len(fields(Prices))


@pytest.mark.parametrize(
    ("name", "value", "unit"),
    [
        ("beet_per_t", 38 * 0.90718474, "USD/ton"),
        ("freight_per_t_km", 0.11 * 0.90718474 * 1.609344, "USD/(ton mi)"),
        ("haul_km", 25 / 1.609344, "mi"),
        ("storage_temp_c", 6 * 9 / 5 + 32, "°F"),
        ("machine_hour", 320, "USD/h"),
        ("storage_days", 30, "days"),
    ],
)
def test_prices_are_in_us_units_on_us_pages(advised, name, value, unit):
    with use_language("en-US"):
        table = price_table(replace(advised.season, units="us", currency="USD"))
    cells = dict(zip((f.name for f in fields(Prices)), (r.cells for r in table.rows), strict=True))[name]
    assert cells[1].value == pytest.approx(value, abs=0.051)
    assert cells[2].text == unit


def test_prices_are_as_given_on_metric_pages(advised):
    table = price_table(advised.season)
    assert [r.cells[1].value for r in table.rows] == [getattr(advised.season.prices, f.name) for f in fields(Prices)]
    assert {r.cells[2].text for r in table.rows} == {"EUR", "EUR/t", "%", "EUR/(t km)", "km", "EUR/h", "days", "°C"}


def test_headings_of_the_evidence_pages_answer_with_the_numbers_of_the_tables(texts, advised):
    with stages.open_warehouse(advised) as warehouse:
        advice, loads = warehouse.table("advice"), load_shift_page(warehouse, advised.season).loads
        received, effects = warehouse.table("source_file"), warehouse.table("effect")
    heads = {name: re.findall(r"<h1>(.*?)</h1>", text)[0] for name, text in texts.items()}
    moving, machines = advice.filter(verdict="move")["machine_id"].n_unique(), advice["machine_id"].n_unique()
    assert heads["machines"].startswith("All five" if moving == machines == 5 else count_words(moving)[0].capitalize())
    known = [r for r in loads.iter_rows(named=True) if r["observed_pct"] is not None]
    above = sum(r["observed_pct"] > r["hi95"] for r in known)
    assert re.findall(r"\d+", heads["loads"]) == ([str(above), str(len(known))] if above else [])
    rejected = received["rows_rejected"].sum()
    assert heads["received"].startswith(f"{rejected} of {received['rows_in'].sum():,}" if rejected else "All")
    certain = effects.filter(
        pl.col("response") == "dirt_tare_pct",
        pl.col("q_value") < 0.05,
        pl.col("n") >= 30,
        pl.col("soil_class").is_null(),
    ).drop_nulls(["change_pct", "wetness_class"])
    first = max(certain.iter_rows(named=True), key=lambda r: abs(r["change_pct"]))["setting"]
    assert heads["effects"].lower().startswith(advised.season.catalogue[first].label)
    assert re.findall(r"\d+", heads["prices"]) == [str(len(fields(Prices)))]
    assert texts["prices"].split("</head>")[1].count("Prices and assumptions") == 1


def test_headings_of_evidence_without_data_say_so(advised):
    none = pl.DataFrame(schema={"machine_id": pl.String, "verdict": pl.String})
    held = pl.DataFrame({"machine_id": ["M1", "M2"], "verdict": ["hold", "hold"]})
    one = pl.DataFrame({"machine_id": ["M1", "M2"], "verdict": ["move", "hold"]})
    assert [machines_title(rows) for rows in (none, held, one)] == [
        "No advice yet",
        "No machine should change anything",
        "One of two machines should change something",
    ]
    assert not re.search(r"\d", received_title({"rows_in": 9, "rows_rejected": 0}))
    counts = [str(len(fields(Prices)) - 1), str(len(fields(Prices)))]
    assert re.findall(r"\d+", prices_title(replace(advised.season, assumed=("haul_km",)))) == counts


def test_moves_carry_levels_likely_ranges_probability_and_n(texts):
    moves = re.findall(r"<li><strong>(.*?)</strong>(.*?)</li>", texts["machines"], re.DOTALL)
    assert moves
    for words, detail in moves:
        assert re.search(r": [\d.,]+ → [\d.,]+ \S+$", words)
        of_dirt = re.search(rf"dirt ([\d.]+ → |stays )[\d.]+ %, {SPAN}", detail)
        assert of_dirt or re.search(r"top tare [\d.]+ → [\d.]+ %.*topped too deep: \d+ → \d+ % of the roots", detail)
        assert re.search(rf"worth about [\d.]+ EUR/t, {SPAN} · pays in \d+ in 100 · n = [\d,]+ loads", detail)
        assert not re.search(r"[+−]\d+ %", detail)


def test_every_source_of_a_load_has_a_label(catalogue: Catalogue):
    assert all(source_label(name, catalogue) != name for name in INTERCEPTS)


def advice_row(machine: str, **values: object) -> dict[str, object]:
    fixed = {
        "machine_id": machine,
        "field_id": "F1",
        "verdict": "move",
        "move_number": 1,
        "soil_class": "light",
        "wetness_class": "dry",
        "outlook": "as now",
        "topsoil_wetness": 0.2,
        **reason("move_in_conditions", wetness_class="dry", soil_class="light", n=40).columns,
        "setting": "share_depth_cm",
        "from_value": 7.0,
        "to_value": 6.0,
        "unit": "cm",
        "probability_better": 0.9,
        "n": 40,
        "gain_per_t": 0.5,
        "total_gain_per_t": 0.5,
        **{f"{a}_{b}": 0.1 for a in ("gain", "total") for b in ("lo95", "hi95")},
        **{f"{a}_lo95": -20.0 for a in ("dirt", "root_loss")},
        **{f"{a}_hi95": -5.0 for a in ("dirt", "root_loss")},
        "dirt_change_pct": -12.0,
        "root_loss_change_pct": -12.0,
        "dirt_before_pct": 10.0,
        "dirt_after_pct": 8.9,
        "root_loss_before_t_ha": 2.0,
        "root_loss_after_t_ha": 1.8,
        "shift_date": dt.date(2025, 10, 9),
    }
    return {**fixed, **values}


def test_likely_ranges_of_levels_are_the_level_before_times_the_interval_of_its_change(catalogue: Catalogue):
    advice = pl.DataFrame([advice_row("M1")], schema=ADVICE_SCHEMA)
    (machine,) = machine_advice(advice, pl.DataFrame(schema={"machine_id": pl.String}), {}, NO_OFFSETS)
    _, dirt, roots, *_ = card(machine, catalogue, METRIC).moves[0].lines
    ratio = 10 / 90
    low, high = (100 * ratio * c / (1 + ratio * c) for c in (0.8, 0.95))
    assert dirt == f"dirt 10.0 → 8.9 %, likely {low:.1f} to {high:.1f}"
    assert roots == "roots left 2.0 → 1.8 t/ha, likely 1.6 to 1.9"


def lines_of(
    row: dict[str, object], catalogue: Catalogue, shown: DisplayUnits = METRIC, offsets: pl.DataFrame = NO_OFFSETS
) -> tuple[str, ...]:
    advice = pl.DataFrame([row], schema=ADVICE_SCHEMA)
    (machine,) = machine_advice(advice, pl.DataFrame(schema={"machine_id": pl.String}), {}, offsets)
    return card(machine, catalogue, shown).moves[0].lines


def figures(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"\d+(?:\.\d+)?", text)]


@pytest.mark.parametrize(
    ("setting", "start", "end", "step", "unit"),
    [
        ("share_depth_cm", 7.04, 6.54, 0.5, "cm"),
        ("cleaner_1_speed_rpm", 38.6, 32.6, 6.0, "rpm"),
        ("intake_roller_speed_pct", 77.1, 87.1, 10.0, "points"),
    ],
)
def test_a_card_has_the_step_from_the_value_of_the_last_shift(setting, start, end, step, unit, catalogue: Catalogue):
    row = advice_row("M1", setting=setting, from_value=start, to_value=end)
    first = lines_of(row, catalogue)[0]
    assert figures(first) == [step]
    assert unit in first.split()
    way = catalogue[setting].up if end > start else catalogue[setting].down
    assert way in first.split()


def test_the_step_is_the_difference_of_the_values_displayed(catalogue: Catalogue):
    row = advice_row("M1", from_value=7.0, to_value=6.5)
    us = DisplayUnits("us", "USD", "America/Chicago")
    # 7.0 and 6.5 cm are 2 6/8 and 2 4/8 in.
    assert lines_of(row, catalogue, us)[0].startswith("1/4 in ")


def test_a_card_of_a_flag_has_no_step(catalogue: Catalogue):
    row = advice_row("M1", setting="rear_roller_reversed", from_value=0.0, to_value=1.0)
    assert figures(lines_of(row, catalogue)[0]) == figures(lines_of(advice_row("M1"), catalogue)[1])


def test_a_card_shows_every_change_that_its_row_has(catalogue: Catalogue):
    topping = {
        **{f"tops_{k}": v for k, v in (("change_pct", -10.0), ("before_pct", 4.4), ("after_pct", 4.0))},
        **{f"over_topped_{k}": v for k, v in (("change_pct", 50.0), ("before_pct", 20.0), ("after_pct", 30.0))},
    }
    topper = advice_row("M1", setting="topper_speed_rpm", from_value=1300.0, to_value=1200.0, **topping)
    _, dirt, tops, over, _ = lines_of({**topper, "root_loss_change_pct": 0.0}, catalogue)
    assert figures(dirt)[:2] == [10.0, 8.9]
    assert figures(tops) == [4.4, 4.0]
    assert figures(over) == [20.0, 30.0]
    unmoved = {"dirt_change_pct": 0.0, "root_loss_change_pct": 0.0}
    assert [figures(t) for t in lines_of({**topper, **unmoved}, catalogue)[1:3]] == [[4.4, 4.0], [20.0, 30.0]]
    speed = advice_row("M1", setting="ground_speed_kmh", from_value=6.0, to_value=5.5, **topping)
    assert [20.0, 30.0] in [figures(t) for t in lines_of(speed, catalogue)]
    # Levels alone are no change: the share does not act on topping.
    levels = {k: v for k, v in topping.items() if not k.endswith("change_pct")}
    assert len(lines_of(advice_row("M1", **levels), catalogue)) == 4


def test_a_card_names_lasting_differences_of_its_setting(catalogue: Catalogue):
    def offsets(kind: str, **other: object) -> pl.DataFrame:
        lasting = {"machine_id": "M1", "setting": "share_depth_cm", "kind": kind, "gap": 0.8, "days": 6}
        return pl.DataFrame([{**lasting, **reason("offset_lasts").columns, **other}], schema=OFFSET_SCHEMA)

    plain = lines_of(advice_row("M1"), catalogue)
    _, sides, *rest = lines_of(advice_row("M1"), catalogue, offsets=offsets(OF_SIDES))
    assert figures(sides) == [0.8]
    assert rest == list(plain[1:])
    _, reached, *rest = lines_of(advice_row("M1"), catalogue, offsets=offsets(OF_SET_POINT))
    # The share runs 0.8 cm deeper than set, so 5.2 is to be set to reach 6.0.
    assert figures(reached) == [0.8, 5.2]
    assert rest == list(plain[1:])
    for other in ({"machine_id": "M2"}, {"setting": "ground_speed_kmh"}, reason("offset_none").columns):
        assert lines_of(advice_row("M1"), catalogue, offsets=offsets(OF_SIDES, **other)) == plain


def test_a_machine_without_a_last_shift_has_no_worth_of_one(catalogue: Catalogue):
    advice = pl.DataFrame([advice_row("M01", verdict="hold", setting=None)], schema=ADVICE_SCHEMA)
    gain = {"machine_id": "M01", "gain_per_t": 0.2, "lo95": 0.1, "hi95": 0.3}
    names = [f"{a}_{b}" for a in ("shift", "ha", "season") for b in ("lo95", "hi95")]
    nothing = dict.fromkeys([*names, "gain_per_shift", "gain_per_ha", "gain_per_season", "cost_per_t"])
    (machine,) = machine_advice(advice, pl.DataFrame([{**gain, **nothing}]), {}, NO_OFFSETS)
    shown = card(machine, catalogue, METRIC)
    assert shown.badge == "about 0.20 EUR/t, likely 0.10 to 0.30"
    (fold,) = shown.blocks
    assert [b.text for b in fold.blocks] == ["All changes together: about 0.20 EUR/t, likely 0.10 to 0.30."]


def test_gains_and_costs_are_given_by_tonne_hectare_shift_and_season_with_likely_ranges(texts):
    for start in ("All changes together: ", r"Soil, lost roots, the pile and the hours at the current settings: "):
        found = re.findall(rf"{start}(.*?)</p>", texts["machines"])
        assert found
        for line in found:
            assert re.search(rf"about [\d.,]+ EUR/ha, {SPAN}; a shift like the last: about [\d,]+ EUR, {SPAN}; ", line)
            assert "all it lifted this season in such conditions: about " in line


def test_a_move_names_its_trade_off_alone(catalogue: Catalogue):
    usual = reason("move_in_conditions", wetness_class="dry", soil_class="light", n=40)
    both = {"M1": usual, "M2": combine_reasons([usual, reason("roots_for_dirt")])}
    advice = pl.DataFrame([advice_row(m, **why.columns) for m, why in both.items()], schema=ADVICE_SCHEMA)
    plain, traded = (
        card(a, catalogue, METRIC).moves[0].lines
        for a in machine_advice(advice, pl.DataFrame(schema={"machine_id": pl.String}), {}, NO_OFFSETS)
    )
    assert traded == (*plain, format_reason(reason("roots_for_dirt")))


def test_every_table_of_the_pages_has_a_distinct_name(advised: Workspace):
    with stages.open_warehouse(advised) as warehouse, use_language("en-GB"):
        data = load_shift_page(warehouse, advised.season)
    names = shift_pages(data.shift)
    with use_language("en-GB"):
        evidence = evidence_pages(data, advised.season, METRIC, names)
        page = all_tables(shift_page(data, advised.season), evidence)
    tables = [t.name for t in page.tables]
    assert len(tables) == len(set(tables)) > 9
    drawn = [b.id for p in evidence.values() for b in p.walk() if hasattr(b, "id")]
    assert len(drawn) == len(set(drawn))
