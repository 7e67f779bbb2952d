"""First page after a shift, without a browser: heading, worth, tiles and rows recomputed by another route."""

import html
import re
from typing import Any

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from flows.stages import pages
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import format_probability
from reports.language.number_words import count_words
from reports.language.precision import money_range, plain_money, setting_value
from reports.language.translate import use_language
from reports.page.html import embedded
from reports.page.model import Page
from reports.page.summary import BarRows, Tiles
from reports.pages.shift import shift_page
from reports.pages.shift_data import load_shift_page
from reports.sections.cautions import SAFETY_CAUTION
from reports.sections.shift_summary import FleetMove, fleet_move, heading, price_strip
from tests.validation.seasons import QUIET, ingest
from transforms.advice.price_sensitivity import BreakEven, PriceSensitivity
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Workspace, init_workspace
from transforms.storage.product_basis import BasisCode

METRIC, US = DisplayUnits("metric", "EUR", "Europe/Prague"), DisplayUnits("us", "USD", "America/Chicago")


@pytest.fixture(scope="module")
def text(advised: Workspace) -> str:
    return pages.publish_shift_page(advised, QUIET)[0].read_text()


def test_numbers_have_a_true_minus_and_no_negative_zero():
    assert number(-1234.56, 1) == "−1,234.6"
    assert number(-0.04, 1) == "0.0"
    assert number(3.0, 0, sign=True) == "+3"
    assert number(None) == number(float("nan")) == NO_VALUE


def test_money_per_short_ton_is_less_than_per_tonne():
    assert METRIC.per_t(1.0) == "1.00"
    assert US.per_t(1.0) == "0.91"
    assert US.money_per_t == "USD/ton"


def test_nothing_is_ever_certain():
    assert format_probability(1.0) == "99 in 100"
    assert format_probability(0.84) == "84 in 100"


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
    assert "<h1>No advice yet</h1>" in page
    assert f'data-code="{BasisCode.TOO_FEW_LOADS}"' in page
    assert 'id="machines"' not in page
    assert html.escape(SAFETY_CAUTION, quote=False).replace("'", "&#39;") in page


def test_embedded_json_cannot_end_its_script_element():
    text = str(embedded({"title": "</script><script>alert(1)</script>&"}))
    assert "<" not in text
    assert "&" not in text


def test_hostile_names_are_inert_and_us_units_show(tmp_path):
    evil = "<script>alert(1)</script>"
    workspace = write_demo(tmp_path / "s", machines=2, days=2, seed=9, hz=0.02, reporter=QUIET)
    toml = workspace.root / "season.toml"
    toml.write_text(
        toml.read_text().replace('units = "metric"', 'units = "us"').replace("Demo season (invented)", evil)
    )
    (workspace.inbox / f"notes {evil.replace('/', '')}.txt").write_text("=cmd()")
    workspace = Workspace(workspace.root)
    ingest(workspace)
    fits = stages.fit_responses(workspace, QUIET)
    stages.advise_machines(workspace, fits, QUIET)
    texts = [path.read_text() for path in pages.publish_shift_page(workspace, QUIET)]
    assert len(texts) == 6
    assert not any("<script>alert" in text for text in texts)
    assert all(html.escape(evil) in text for text in texts)
    assert any("°F" in text for text in texts)


def tables(advised: Workspace) -> dict[str, pl.DataFrame]:
    with stages.open_warehouse(advised) as warehouse:
        return {n: warehouse.table(n) for n in ("advice", "load_fact", "field")}


@pytest.fixture(scope="module")
def first_page(advised: Workspace) -> Page:
    stages.compute_shift_timeline(advised)
    with stages.open_warehouse(advised) as warehouse, use_language("en-GB"):
        return shift_page(load_shift_page(warehouse, advised.season), advised.season)


def last_shift_mass(found: dict[str, pl.DataFrame]) -> dict[str, float]:
    """Clean mass of each machine in the last shift, t, added up load by load."""
    facts = found["load_fact"]
    usual, last = facts["dirt_tare_pct"].mean(), facts["shift_date"].max()
    mass: dict[str, float] = {}
    for r in facts.filter(pl.col("shift_date") == last).iter_rows(named=True):
        dirt = usual if r["dirt_tare_pct"] is None else r["dirt_tare_pct"]
        if r["machine_id"] is not None:
            mass[r["machine_id"]] = mass.get(r["machine_id"], 0.0) + r["delivered_t"] * (1 - dirt / 100)
    return mass


def test_the_heading_counts_the_machines_of_the_table(advised: Workspace, first_page: Page):
    advice = tables(advised)["advice"]
    moves = [r for r in advice.iter_rows(named=True) if r["verdict"] == "move"]
    by_move: dict[tuple[str, bool], set[str]] = {}
    for r in moves:
        by_move.setdefault((r["setting"], r["to_value"] > r["from_value"]), set()).add(r["machine_id"])
    found = fleet_move(advice)
    most = max(len(m) for m in by_move.values())
    moving = len({r["machine_id"] for r in moves})
    assert found.machines == (most if most >= max(3, moving / 2) else moving)
    if found.code == "common":
        assert len(by_move[found.setting, found.is_up]) == most
    assert re.search(rf"\b{count_words(found.machines)[0]}\b", first_page.title, re.IGNORECASE)


def advice_of(*moves: tuple[str, str | None, float | None, float | None]) -> pl.DataFrame:
    rows = [
        {"machine_id": m, "verdict": "move" if s else "hold", "setting": s, "from_value": a, "to_value": b}
        for m, s, a, b in moves
    ]
    return pl.DataFrame(rows, schema_overrides={"setting": pl.String})


def test_the_fleets_move_is_common_several_or_none(catalogue: Catalogue):
    deeper = [(f"M{i}", "share_depth_cm", 6.0, 7.0) for i in range(4)]
    slower = [(f"M{i}", "ground_speed_kmh", 6.0, 5.0) for i in range(4, 6)]
    still = [("M9", None, None, None)]
    assert fleet_move(advice_of(*deeper, *slower, *still)) == FleetMove("common", 4, "share_depth_cm", is_up=True)
    assert fleet_move(advice_of(*deeper[:2], *slower)) == FleetMove("several", 4)
    assert fleet_move(advice_of(*still)) == FleetMove("leave")
    assert fleet_move(advice_of().clear()) == FleetMove("no_advice")
    assert heading(FleetMove("common", 4, "share_depth_cm", is_up=False), 7, catalogue) == (
        "Lift shallower on four of seven machines"
    )
    everywhere = heading(FleetMove("common", 7, "share_depth_cm", is_up=False), 7, catalogue)
    assert everywhere == "Lift shallower on all seven machines"
    assert heading(FleetMove("several", 3), 7, catalogue) == "Three machines to change"
    assert heading(FleetMove("several", 13), 14, catalogue).startswith("13 ")


def test_the_worth_is_the_sum_over_machines_of_gain_times_mass(advised: Workspace, first_page: Page):
    found = tables(advised)
    mass = last_shift_mass(found)
    gains: dict[str, tuple[float, ...]] = {}
    for r in found["advice"].iter_rows(named=True):
        if r["verdict"] == "move":
            gains[r["machine_id"]] = tuple(r[c] for c in ("total_gain_per_t", "total_lo95", "total_hi95"))
    totals = [sum(g[k] * mass[m] for m, g in gains.items() if m in mass) for k in range(3)]
    assert first_page.lead.startswith(
        f"All changes together: about {plain_money(totals[0])} EUR this shift, likely {money_range(*totals[1:])}."
    )


def test_the_tiles_are_weighted_means_before_the_first_move_and_after_the_last(advised: Workspace, first_page: Page):
    found = tables(advised)
    mass = last_shift_mass(found)
    ends: dict[str, tuple[Any, Any, str]] = {}
    yields = dict(found["field"].select("field_id", "yield_t_ha").iter_rows())
    for r in found["advice"].iter_rows(named=True):
        levels = [(r["dirt_before_pct"], r["root_loss_before_t_ha"]), (r["dirt_after_pct"], r["root_loss_after_t_ha"])]
        first, _, field = ends.get(r["machine_id"], (levels[0], levels[0], r["field_id"]))
        ends[r["machine_id"]] = (first, levels[1] if r["verdict"] == "move" else levels[0], field)
    worked = {m: e for m, e in ends.items() if m in mass}
    (block,) = (b for b in first_page.walk() if isinstance(b, Tiles))
    for tile, part, weights in (
        (block.tiles[0], 1, {m: mass[m] / yields[e[2]] for m, e in worked.items()}),
        (block.tiles[1], 0, {m: mass[m] for m in worked}),
    ):
        means = [sum(w * worked[m][k][part] for m, w in weights.items()) / sum(weights.values()) for k in (0, 1)]
        before, after = (f"{v:.1f}" for v in means)
        assert tile.value.split()[0] == after
        assert tile.before == (None if before == after else before)
        assert tile.tone == ("same" if before == after else "better" if means[1] < means[0] else "worse")


def test_rows_are_the_first_moves_in_order_of_worth(advised: Workspace, first_page: Page):
    found = tables(advised)
    mass = last_shift_mass(found)
    first = {r["machine_id"]: r for r in found["advice"].iter_rows(named=True) if r["move_number"] == 1}
    worth = {m: r["total_gain_per_t"] * mass[m] for m, r in first.items()}
    (block,) = (b for b in first_page.walk() if isinstance(b, BarRows))
    assert [r.title for r in block.rows] == sorted(worth, key=lambda m: -worth[m])
    most = max(worth.values())
    for row in block.rows:
        move = first[row.title]
        setting = advised.season.catalogue[move["setting"]]
        assert row.share == pytest.approx(worth[row.title] / most)
        assert (row.before, row.after) == (
            setting_value(move["from_value"], setting, METRIC, unit=False),
            setting_value(move["to_value"], setting, METRIC),
        )


def seen(text: str) -> list[str]:
    """Words, numbers and signs that the eye sees: no head, folds, tooltips, or words for screen readers alone."""
    unseen = (
        r"<head>.*?</head>|<script.*?</script>|<details.*?</details>|<title>.*?</title>|"
        r'<(a|span) class="(skip|unseen)".*?</\1>'
    )
    return html.unescape(re.sub(r"<[^>]+>", " ", re.sub(unseen, " ", text, flags=re.DOTALL))).split()


WORD_BUDGET = 250


def words_of(text: str) -> list[str]:
    """Return the words that the eye sees: all that contain a letter or a digit, numbers and ids included."""
    return [w for w in seen(text) if re.search(r"[^\W_]", w)]


def test_a_word_contains_a_letter_or_a_digit():
    text = "<head>no</head><p>7.9 → 9.3 % · M01 _ – Lift</p><details>no</details>"
    assert words_of(text) == ["7.9", "9.3", "M01", "Lift"]


def test_the_first_page_keeps_its_budget_of_words_and_bytes(text):
    assert 60 < len(words_of(text)) <= WORD_BUDGET
    assert len(text.encode()) <= 600_000


def test_the_strip_names_the_price_only_while_the_order_is_at_risk():
    turn = BreakEven("roots", 24.13, stops_below=True, is_plausible=True)
    strip = price_strip(PriceSensitivity(is_order_at_risk=True, break_even=turn), US, "p.html")
    assert strip is not None
    assert f"{24.13 * US.per_tonne:.0f} USD" in strip.text
    assert price_strip(PriceSensitivity(is_order_at_risk=False, break_even=turn), US, "p.html") is None
