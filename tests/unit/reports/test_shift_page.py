"""Texts and numbers of the shift page, without a browser."""

import datetime as dt
import html
import re
from dataclasses import fields

import polars as pl
import pytest

from flows import stages
from flows.stages import pages
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import describe_move, format_probability, source_label
from reports.language.reason_text import format_reason
from reports.language.translate import use_language
from reports.page.html import embedded
from reports.pages.shift import shift_page
from reports.pages.shift_data import load_shift_page
from reports.sections.cautions import CAUTION
from reports.sections.shift_cards import card, headline, machine_advice, moves_section
from tests.validation.seasons import QUIET, Season, copy_of, ingest, run_season
from transforms.advice.advice_rows import ADVICE_SCHEMA
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices, Workspace, init_workspace
from transforms.contracts.reason import combine_reasons, reason
from transforms.model.load_decomposition import INTERCEPTS
from transforms.storage.product_basis import BasisCode, ProductStatus

METRIC, US = DisplayUnits("metric", "EUR", "Europe/Prague"), DisplayUnits("us", "USD", "America/Chicago")


@pytest.fixture(scope="module")
def advised(season: Season, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    workspace = copy_of(season, tmp_path_factory.mktemp("page") / "season")
    stages.advise_machines(workspace, season.fits, QUIET)
    return workspace


@pytest.fixture(scope="module")
def text(advised: Workspace) -> str:
    return pages.publish_shift_page(advised, QUIET)[0].read_text()


def test_numbers_have_a_true_minus_and_no_negative_zero():
    assert number(-1234.56, 1) == "−1,234.6"
    assert number(-0.04, 1) == "0.0"
    assert number(3.0, 0, sign=True) == "+3"
    assert number(None) == number(float("nan")) == NO_VALUE


def test_a_move_is_an_instruction_in_both_systems(catalogue: Catalogue):
    row = {"setting": "share_depth_cm", "from_value": 7.5, "to_value": 6.5}
    assert describe_move(row, catalogue, METRIC) == "Share depth: 1.0 cm shallower, from 7.5 cm to 6.5 cm"
    assert describe_move(row, catalogue, US) == "Share depth: 0.39 in shallower, from 2.95 in to 2.56 in"
    row = {"setting": "transfer_web_speed_pct", "from_value": 60.0, "to_value": 70.0}
    assert describe_move(row, catalogue, METRIC) == "Transfer web speed: 10 points faster, from 60 % to 70 %"


def test_money_per_short_ton_is_less_than_per_tonne():
    assert METRIC.per_t(1.0) == "1.00"
    assert US.per_t(1.0) == "0.91"
    assert US.money_per_t == "USD/ton"


def test_nothing_is_ever_certain():
    assert format_probability(1.0) == "99 in 100"
    assert format_probability(0.84) == "84 in 100"


def test_cautions_are_at_the_top_and_by_the_prices(text):
    assert text.count(html.escape(CAUTION, quote=False).replace("'", "&#39;")) == 2


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
    page = html.unescape(pages.publish_shift_page(workspace, QUIET)[0].read_text())
    assert f"1 of 2 checks of this fit passed. Not passed: {format_reason(failed)}." in page


def test_every_price_is_shown_with_where_it_is_from(text):
    assert text.count("assumed (the default)") == len(fields(Prices)) == 13
    assert "Amounts of money are based on assumptions: none of the 13 prices is set" in text


def test_moves_carry_interval_probability_and_n(text):
    moves = re.findall(r"<li><strong>(.*?)</strong>(.*?)</li>", text, re.DOTALL)
    assert moves
    for words, detail in moves:
        assert re.search(r"from .+ to .+", words)
        assert re.search(r"dirt [+−]?\d+ % \(.+ to .+\)", detail)
        assert re.search(r"sure: \d+ in 100 · n = [\d,]+ loads", detail)


def test_every_source_of_a_load_has_a_label(catalogue: Catalogue):
    assert all(source_label(name, catalogue) != name for name in INTERCEPTS)


def test_a_machine_without_a_last_shift_has_no_worth_of_one(catalogue: Catalogue):
    moved = {
        "machine_id": "M01",
        "field_id": "F1",
        "soil_class": "light",
        "wetness_class": "dry",
        "verdict": "hold",
        **reason("no_change_better").columns,
    }
    advice = pl.DataFrame([{**dict.fromkeys(ADVICE_SCHEMA), **moved}], schema=ADVICE_SCHEMA)
    gain = {"machine_id": "M01", "gain_per_t": 0.2, "lo95": 0.1, "hi95": 0.3}
    names = [f"{a}_{b}" for a in ("shift", "ha", "season") for b in ("lo95", "hi95")]
    nothing = dict.fromkeys([*names, "gain_per_shift", "gain_per_ha", "gain_per_season", "cost_per_t"])
    without = pl.DataFrame([{**gain, **nothing}])
    (machine,) = machine_advice(advice, without, {})
    shown = card(machine, catalogue, METRIC)
    assert shown.badge == "0.20 EUR/t"
    assert "together 0.20 EUR/t (0.10 to 0.30)" in shown.lines
    assert shown.blocks == ()


def test_costs_are_given_by_tonne_hectare_shift_and_season_with_intervals(text):
    costs = re.findall(r"Soil, lost roots, the pile and the hours: (.*?)</p>", text)
    assert costs
    span = r"\([\d.,]+ to [\d.,]+\)"
    for line in costs:
        assert re.match(rf"[\d.]+ EUR/t {span}; [\d,]+ EUR/ha {span}; a shift like the last: [\d,]+ EUR {span}; ", line)
        assert "on all it lifted this season in such conditions: " in line


def test_gains_are_given_by_hectare_shift_and_season_with_intervals(text):
    cards = re.findall(r'<p class="where">(.*?)</p>', text, re.DOTALL)
    worth = [c for c in cards if "together" in c]
    assert len([c for c in cards if re.search(r"\(0\.\d\d, (forecast|as now)\)", c)]) >= len(worth)
    assert worth
    for line in worth:
        assert re.search(r"EUR/t \([\d.−]+ to [\d.−]+\); [\d.−]+ EUR/ha \([\d.−]+ to [\d.−]+\)", line)
        assert "a shift like the last" in line
        assert "on all it lifted this season in such conditions" in line


def test_the_headline_counts_the_moves_of_the_table(advised, text):
    with stages.open_warehouse(advised) as warehouse:
        advice = warehouse.table("advice")
    moves = advice.filter(pl.col("verdict") == "move")
    assert (
        f"{moves.height} moves on {moves['machine_id'].n_unique()} of {advice['machine_id'].n_unique()} machines"
        in text
    )


def test_an_empty_workspace_has_a_page_that_says_so(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    (workspace.mappings / "none.toml").write_text(
        'kind = "machine_setup"\nfiles = ["none.csv"]\n'
        + "".join(
            f'[columns.{c}]\nvalue = "45"\n' if c == "row_spacing_cm" else f'[columns.{c}]\nvalue = "1"\n'
            for c in ("machine_id", "generation", "rows_count", "row_spacing_cm", "tank_capacity_t")
        )
        + '[columns.valid_from_at]\nfrom = "t"\nformat = "%Y-%m-%d"\ntime_zone = "UTC"\n'
    )
    ingest(workspace)
    stages.advise_machines(workspace, stages.fit_responses(workspace, QUIET), QUIET)
    page = pages.publish_shift_page(workspace, QUIET)[0].read_text()
    assert "<h1>No shift yet</h1>" in page
    assert f'data-code="{BasisCode.TOO_FEW_LOADS}"' in page
    assert 'id="machines"' not in page
    assert html.escape(CAUTION, quote=False).replace("'", "&#39;") in page


def test_embedded_json_cannot_end_its_script_element():
    text = str(embedded({"title": "</script><script>alert(1)</script>&"}))
    assert "<" not in text
    assert "&" not in text


def test_hostile_names_are_inert_and_us_units_show(tmp_path):
    evil = "<script>alert(1)</script>"
    season = run_season(tmp_path / "s", seed=9, machines=2, days=2)
    workspace = season.workspace
    toml = workspace.root / "season.toml"
    toml.write_text(
        toml.read_text().replace('units = "metric"', 'units = "us"').replace("Demo season (invented)", evil)
    )
    (workspace.inbox / f"notes {evil.replace('/', '')}.txt").write_text("=cmd()")
    del workspace.__dict__["season"]
    ingest(workspace)
    fits = stages.fit_responses(workspace, QUIET)
    stages.advise_machines(workspace, fits, QUIET)
    page = pages.publish_shift_page(workspace, QUIET)[0].read_text()
    assert "<script>alert" not in page
    assert html.escape(evil) in page
    assert "ton/acre" in page or "°F" in page


def machine_rows(machine: str, gains: list[float], total: float) -> list[dict[str, object]]:
    """Return the advice rows of a machine: its moves and their total gain."""
    settings = ("share_depth_cm", "cleaner_1_speed_rpm", "cleaner_2_speed_rpm")
    fixed = {
        "machine_id": machine,
        "field_id": "F1",
        "verdict": "move",
        "soil_class": "light",
        "wetness_class": "dry",
        "outlook": "as now",
        "topsoil_wetness": 0.2,
        **reason("move_in_conditions", wetness_class="dry", soil_class="light", n=40).columns,
        "from_value": 7.0,
        "to_value": 6.0,
        "unit": "cm",
        "probability_better": 0.9,
        "n": 40,
        "total_gain_per_t": total,
        **{f"{a}_{b}": 0.1 for a in ("dirt", "root_loss", "gain", "total") for b in ("lo95", "hi95")},
        "dirt_change_pct": -1.0,
        "root_loss_change_pct": 0.0,
        "shift_date": dt.date(2025, 10, 9),
    }
    return [{**fixed, "setting": s, "gain_per_t": g} for s, g in zip(settings, gains, strict=False)]


def test_a_move_names_its_trade_off_alone(catalogue: Catalogue):
    (row,) = machine_rows("M1", [0.5], 0.5)
    usual = reason("move_in_conditions", wetness_class="dry", soil_class="light", n=40)
    both = {"M1": usual, "M2": combine_reasons([usual, reason("roots_for_dirt")])}
    rows = [{**row, "machine_id": m, **why.columns} for m, why in both.items()]
    advice = pl.DataFrame(rows, schema=ADVICE_SCHEMA, orient="row")
    plain, traded = (
        card(a, catalogue, METRIC).moves[0].lines
        for a in machine_advice(advice, pl.DataFrame(schema={"machine_id": pl.String}), {})
    )
    assert traded == (*plain, format_reason(reason("roots_for_dirt")))


def test_the_lead_and_the_first_row_name_the_same_machine(season: Season, catalogue: Catalogue):
    rows = [*machine_rows("M1", [0.5, 0.4, 0.3], 1.2), *machine_rows("M2", [0.8], 0.8)]
    advice = pl.DataFrame(rows, schema={**ADVICE_SCHEMA}, orient="row")
    names = [f"{a}_{b}" for a in ("shift", "ha", "season") for b in ("lo95", "hi95")]
    empty = dict.fromkeys([*names, "gain_per_shift", "gain_per_ha", "gain_per_season", "cost_per_t"])
    worth = pl.DataFrame(
        [{"machine_id": m, "gain_per_t": g, "lo95": 0.1, "hi95": 2.0, **empty} for m, g in (("M1", 1.2), ("M2", 0.8))]
    )
    machines = machine_advice(advice, worth, {})
    status = ProductStatus(BasisCode.CURRENT)
    section = moves_section(machines, status, season.workspace.season, METRIC)
    table, cards = section.blocks[0], section.blocks[-1]
    first = table.rows[0].cells
    assert (first[0].text, first[2].text) == ("M1", describe_move(rows[0], catalogue, METRIC))
    assert cards.cards[0].title == "M1"
    lead = headline(machines, status, catalogue, METRIC)
    assert "M1" in lead
    assert "M2" not in lead
    assert [r.cells[0].text for r in table.rows] == ["M1", "M2"]
    assert first[3].value == 1.2


def test_every_table_of_the_page_has_a_distinct_name(advised: Workspace):
    with stages.open_warehouse(advised) as warehouse, use_language("en-GB"):
        page = shift_page(load_shift_page(warehouse, advised.season), advised.season)
    names = [t.name for t in page.tables]
    assert len(names) == len(set(names)) > 10
