"""Season report for the board compared with independent calculations from the tables."""

import re
from dataclasses import fields, replace
from itertools import combinations
from typing import Any

import fastexcel
import polars as pl
import pypdf
import pytest

from reports.language.display_units import DisplayUnits
from reports.language.translate import use_language
from reports.page.model import Page, Prose
from reports.page.pdf import write_pdf
from reports.page.summary import BarRows, Grid, PartBar, Tiles
from reports.page.tables import Table
from reports.pages.season import season_page, write_season
from reports.pages.season_appendix import season_appendix
from reports.pages.season_data import SeasonPageData, load_season_page
from reports.sections.outcome_data import load_outcome
from reports.sections.season_causes import setting_rows, shares_finding, source_shares
from reports.sections.season_cost import FILLED_BY, cost_section, season_heading, season_lead, unmeasured_parts
from reports.sections.season_next import MAX_TRIAL_DAYS, first_trials, trials_section
from reports.sections.season_where_when import classes_finding, where_when_section
from tests.support.invented_outcome import fill_outcome
from tests.support.program import Demo
from tests.unit.reports.chromium import console_errors, evaluate, opened, unfold
from tests.unit.reports.test_followed_page import NO_LOADS
from transforms.advice.cost import CropAndHaul
from transforms.advice.cost_effects import CostLevels
from transforms.advice.storage import healthy_loss_kg_per_t_day
from transforms.arrays import to_float
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS
from transforms.config.workspace import Prices
from transforms.contracts.result_tables import schema_of
from transforms.storage.warehouse import Warehouse

METRIC = DisplayUnits("metric", "EUR", "Europe/Prague")
LEVELS = CostLevels({DIRT: 9.0, ROOT_LOSS: 2.4, DAMAGED: 20.0}, 6.0, CropAndHaul(75.0, 25.0, 3.0))
EVIL = "<img src=x onerror=window.broken=1>"


@pytest.fixture(scope="module")
def warehouse(demo: Demo, written):  # noqa: ARG001  the pages are written first
    with Warehouse.open_read_only(demo.workspace.warehouse) as opened_:
        yield opened_


@pytest.fixture(scope="module")
def data(warehouse, demo: Demo) -> SeasonPageData:
    return load_season_page(warehouse, demo.workspace.season)


@pytest.fixture(scope="module")
def page(data, demo: Demo) -> Page:
    return season_page(data, demo.workspace.season)


def blocks(page: Page, section: str, kind: type[Any]) -> list[Any]:
    (found,) = (s for s in page.sections if s.id == section)
    return [b for b in found.blocks if isinstance(b, kind)]


def numbers(text: str) -> list[float]:
    found = re.findall(r"[+−]?\d[\d,]*(?:\.\d+)?", text)
    return [float(n.replace(",", "").replace("−", "-")) for n in found]


def two_digits(value: float) -> float:
    return float(f"{value:.1e}")


def test_the_heading_is_the_cost_of_the_season(page, warehouse):
    money = warehouse.table("season_cost")["money"].sum()
    (shown,) = numbers(page.title)
    assert shown * (1e6 if "million" in page.title else 1) == pytest.approx(two_digits(money))


def test_the_lead_separates_measured_cost_from_the_assumed_one(page, warehouse, demo: Demo):
    cost = dict(warehouse.table("season_cost").select("part", "money").iter_rows())
    measured, assumed, days, temp = numbers(page.lead)
    assert measured == two_digits(sum(money for part, money in cost.items() if part != "pile"))
    assert assumed * (1e6 if "million" in page.lead else 1) == pytest.approx(two_digits(cost["pile"]))
    prices = demo.workspace.season.prices
    assert [days, temp] == [prices.storage_days, prices.storage_temp_c]


def test_the_parts_of_the_bar_are_the_costs_and_only_the_assumed_one_is_hatched(page, warehouse):
    (bar,) = blocks(page, "cost", PartBar)
    cost = {r["part"]: r for r in warehouse.table("season_cost").iter_rows(named=True)}
    total = sum(r["money"] for r in cost.values())
    measured = ("soil", "roots", "tops", "over_topped")
    assert [p.share for p in bar.parts] == pytest.approx([cost[k]["money"] / total for k in (*measured, "pile")])
    assert [p.is_assumed for p in bar.parts] == [False] * 4 + [True]
    for part, key in zip(bar.parts[:4], measured, strict=True):
        assert numbers(part.value)[0] == two_digits(cost[key]["money"])
        lo, hi, mass, n = numbers(part.about)[:4]
        assert [lo, hi] == [two_digits(cost[key]["money_lo95"]), two_digits(cost[key]["money_hi95"])]
        assert mass == pytest.approx(cost[key]["mass_t"], rel=0.005)
        assert n == cost[key]["n"]
    assert " to " not in bar.parts[-1].about


def test_the_tiles_are_those_of_loads_and_plots(page, warehouse):
    facts, audits = warehouse.table("load_fact"), warehouse.table("audit_fact")
    soil, roots, cost = blocks(page, "cost", Tiles)[0].tiles
    known = facts.drop_nulls(DIRT)
    filled = facts[DIRT].fill_null(facts[DIRT].mean())
    assert numbers(soil.value)[0] == pytest.approx((facts["delivered_t"] * filled / 100).sum(), rel=0.005)
    mean = (known[DIRT] * known["delivered_t"]).sum() / known["delivered_t"].sum()
    assert numbers(soil.word)[0] == pytest.approx(mean, abs=0.051)
    assert numbers(soil.word)[-1] == known.height
    assert numbers(roots.value)[0] == pytest.approx(audits[ROOT_LOSS].mean(), abs=0.051)
    assert numbers(roots.word)[-1] == audits[ROOT_LOSS].count()
    clean = (facts["delivered_t"] * (1 - filled / 100)).sum()
    money = warehouse.table("season_cost")["money"].sum()
    assert numbers(cost.value)[0] == pytest.approx(money / clean, rel=0.05)


def test_the_savings_are_the_total_of_the_guide_with_its_range(page, warehouse):
    (tile,) = blocks(page, "savings", Tiles)[0].tiles
    classes = warehouse.table("guide_worth").drop_nulls("generation")
    assert numbers(tile.value)[0] == pytest.approx(two_digits(classes["saved"].sum()))
    total = warehouse.table("guide_worth").filter(pl.col("generation").is_null())
    lo, hi, per_t = numbers(tile.word)
    assert [lo, hi] == pytest.approx([total["lo95"].item(), total["hi95"].item()], rel=0.07)
    assert per_t == pytest.approx(classes["saved"].sum() / classes["soil_free_t"].sum(), rel=0.05)


def test_the_grid_has_the_mean_dirt_of_each_class_and_is_pale_below_thirty_loads(page, warehouse):
    loads = warehouse.table("load_fact").join(warehouse.table("load_class"), on="load_id").drop_nulls(DIRT)
    means = loads.group_by("wetness_class", "soil_class").agg(pl.col(DIRT).mean(), pl.len().alias("n"))
    by = {(w, s): (dirt, n) for w, s, dirt, n in means.iter_rows()}
    (grid,) = blocks(page, "where", Grid)
    shown = {}
    for wetness, (_, cells) in zip(("dry", "moist", "wet"), grid.rows, strict=True):
        for soil, cell in zip(("light", "medium", "heavy"), cells, strict=True):
            dirt, n = by.get((wetness, soil), (None, 0))
            assert cell.is_pale == (n < 30)
            if dirt is None:
                assert numbers(cell.value) == []
                continue
            assert numbers(cell.value)[0] == pytest.approx(dirt, abs=0.051)
            assert numbers(cell.about[-1])[-1] == n
            assert not cell.is_pale or (cell.strength == 0 and len(cell.about) == 1)
            assert f"wetness={wetness}&soil={soil}" in str(cell.href)
            shown[wetness, soil] = cell
    known = {k: v for k, v in by.items() if v[1] >= 30 and None not in k}
    dirtiest, cleanest = (f(known, key=lambda k: known[k][0]) for f in (max, min))
    assert shown[dirtiest].strength == 4
    assert shown[cleanest].strength == 0


def test_a_class_of_few_loads_is_pale_and_sets_no_tint(data):
    """The driest class is given too few loads and the most dirt."""
    few, total = pl.col("wetness_class") == "dry", data.overview.classes.height
    assert 0 < data.overview.classes.filter(few).height < total
    classes = data.overview.classes.with_columns(
        n=pl.when(few).then(29).otherwise("n"), dirt_pct=pl.when(few).then(99.0).otherwise("dirt_pct")
    )
    section = where_when_section(replace(data.overview, classes=classes), data.district, METRIC)
    (grid,) = (b for b in section.blocks if isinstance(b, Grid))
    (_, dry), *others = grid.rows
    loads = [c for c in dry if numbers(c.value) == [99.0]]
    assert len(loads) == classes.filter(few).height
    assert all(c.is_pale and c.strength == 0 and len(c.about) == 1 and numbers(c.about[0]) == [29.0] for c in loads)
    assert max(c.strength for _, cells in others for c in cells) == 4


def test_classes_with_few_loads_are_not_compared():
    classes = pl.DataFrame(
        {
            "wetness_class": ["dry", "moist", "wet"],
            "soil_class": ["light", "light", "heavy"],
            "n": [40, 30, 29],
            "dirt_pct": [5.0, 7.0, 30.0],
        }
    )
    assert numbers(classes_finding(classes)) == [7.0, 5.0]
    assert numbers(classes_finding(classes.tail(2))) == []


def test_the_appendix_gives_no_interval_to_small_classes_and_assumed_costs(data, demo: Demo):
    tables = {t.id: t for t in season_appendix(data, demo.workspace.season).tables}
    for row in tables["classes-table"].rows:
        n, dirt = row.cells[1].value, row.cells[3]
        assert isinstance(n, int)
        assert (dirt.lo is None) == (n < 30)
    intervals = [row.cells[2].lo for row in tables["cost-table"].rows]
    money = [row.cells[2].value for row in tables["cost-table"].rows]
    cost = {r["money"]: r["part"] for r in data.overview.costs.iter_rows(named=True)}
    assert [lo is None for lo in intervals] == [cost[m] == "pile" for m in money]


def test_the_five_parts_are_ranked_and_add_up_to_the_variance(page, warehouse):
    (bar,) = blocks(page, "drivers", PartBar)
    shares = warehouse.table("variance_share").filter(pl.col("response") == DIRT)
    kinds = dict(shares.group_by("kind").agg(pl.col("share").sum()).iter_rows())
    # A negative share, which no bar can show, counts as none.
    parts = [
        max(sum(kinds.get(k, 0.0) for k in part), 0.0)
        for part in (
            ("condition",),
            ("setting",),
            ("machine", "operator"),
            ("field", "day", "season"),
            ("lab", "unexplained"),
        )
    ]
    expected = sorted((share / sum(parts) for share in parts), reverse=True)
    assert [p.share for p in bar.parts] == pytest.approx(expected)
    assert sum(p.share for p in bar.parts) == pytest.approx(1.0)
    assert [numbers(p.value)[0] for p in bar.parts] == [round(100 * s) for s in expected]


def test_settings_as_the_largest_source_are_named_once():
    assert numbers(shares_finding({"settings": 0.6, "conditions": 0.4}, 100)) == [60.0, 100.0]
    assert numbers(shares_finding({"conditions": 0.6, "settings": 0.4}, 100)) == [60.0, 40.0, 100.0]


PRICED = {"dirt_tare_pct", "root_loss_t_ha", "top_tare_pct", "over_topped_pct", "damaged_pct"}


def times_odds(pct: float, factor: float) -> float:
    """Return a percentage whose odds are multiplied by a factor."""
    odds = pct / (100 - pct) * factor
    return 100 * odds / (1 + odds)


def worth_by_hand(response: str, change_pct: float, way: int, level: dict[str, float], prices: Prices) -> float:
    """Return what one step costs more by its effect on one response, per t of clean beet.

    The pile is counted for damage alone, which costs nothing else.
    """
    factor = (1 + change_pct / 100) ** way
    haul = prices.freight_per_t_km * prices.haul_km + prices.soil_handling_per_t
    worth = prices.beet_per_t + prices.quality_per_point * (level["sugar_pct"] - prices.sugar_standard_pct)
    if response == "root_loss_t_ha":
        return (factor - 1) * level[response] / level["yield_t_ha"] * worth
    points = times_odds(level[response], factor) - level[response]
    if response == "over_topped_pct":
        return 0.06 * worth * points / 100
    if response == "damaged_pct":
        sound_kg = prices.storage_days * float(healthy_loss_kg_per_t_day(prices.storage_temp_c))
        return sound_kg * prices.sugar_per_t / 1000 * prices.storage_damage_pct / 100 * points
    odds = level[response] / (100 - level[response])
    more = prices.soil_disposal_per_t if response == "dirt_tare_pct" else prices.tops_per_t
    return (factor - 1) * odds * (haul + more)


def season_means(warehouse: Warehouse) -> dict[str, float]:
    facts, checks = warehouse.table("load_fact"), warehouse.table("root_check_fact")
    topped, skins = checks.drop_nulls("over_topped_count"), checks.drop_nulls("damaged_count")
    means: dict[str, float] = {}
    for name in ("dirt_tare_pct", "top_tare_pct", "recoverable_sugar_pct"):
        own = facts.drop_nulls(name)
        means[name] = float((own[name] * own["delivered_t"]).sum() / own["delivered_t"].sum())
    sampled = facts.drop_nulls("recoverable_sugar_pct")
    means["sugar_pct"] = float((sampled["sugar_pct"] * sampled["delivered_t"]).sum() / sampled["delivered_t"].sum())
    means["yield_t_ha"] = to_float(facts["yield_t_ha"].mean())
    means["root_loss_t_ha"] = to_float(warehouse.table("audit_fact")["root_loss_t_ha"].mean())
    means["over_topped_pct"] = float(100 * topped["over_topped_count"].sum() / topped["topping_checked_count"].sum())
    means["damaged_pct"] = float(100 * skins["damaged_count"].sum() / skins["damage_checked_count"].sum())
    return means


def test_the_six_settings_have_the_largest_certain_effects_in_money(page, warehouse, demo: Demo):
    """The worth of each effect is computed again from the tables; the pile adds to it, but never reverses the first."""
    (rows,) = blocks(page, "drivers", BarRows)
    effects = warehouse.table("effect").filter(
        pl.col("wetness_class").is_null() & pl.col("soil_class").is_null() & (pl.col("q_value") < 0.05)
    )
    level, catalogue, prices = season_means(warehouse), demo.workspace.season.catalogue, demo.workspace.season.prices
    worth: dict[str, float] = {}
    for r in effects.filter(pl.col("response").is_in(sorted(PRICED))).iter_rows(named=True):
        own = max(abs(worth_by_hand(r["response"], r["change_pct"], way, level, prices)) for way in (1, -1))
        worth[r["setting"]] = max(worth.get(r["setting"], 0.0), own)
    labels = {catalogue[s].label: s for s in worth}
    shown = [labels[r.title.lower().split(" → ")[0].rsplit(" ", 1)[0]] for r in rows.rows]
    assert len(shown) == 6
    assert rows.rows[0].share == 1.0
    assert [r.share for r in rows.rows] == sorted((r.share for r in rows.rows), reverse=True)
    # Without the pile, settings that act on dirt are worth up to a third less.
    assert min(worth[s] for s in shown) > 0.6 * max(w for s, w in worth.items() if s not in shown)


def test_the_sentences_on_a_setting_have_every_priced_response(page, warehouse, demo: Demo):
    (rows,) = blocks(page, "drivers", BarRows)
    effects = warehouse.table("effect").filter(
        pl.col("wetness_class").is_null() & pl.col("soil_class").is_null() & (pl.col("q_value") < 0.05)
    )
    level, catalogue = season_means(warehouse), demo.workspace.season.catalogue
    digits = dict.fromkeys(PRICED, 1) | {ROOT_LOSS: 2}
    for row in rows.rows:
        name = row.title.lower().split(" → ")[0].rsplit(" ", 1)[0]
        setting = next(s for s in catalogue.values() if s.label == name)
        usual, moved = numbers(row.title)
        way = 1 if moved > usual else -1
        assert moved - usual == pytest.approx(way * setting.step, abs=0.501 if setting.step >= 5 else 0.101)
        own = [r for r in effects.iter_rows(named=True) if r["setting"] == setting.name and r["response"] in PRICED]
        clauses = re.findall(r"[^()]+\([^)]*\)", row.action)
        assert len(clauses) == len(own)
        pairs = {tuple(numbers(c.split("(")[0])) for c in clauses}
        for r in own:
            before, d = level[r["response"]], digits[r["response"]]
            factor = (1 + r["change_pct"] / 100) ** way
            after = before * factor if r["response"] == ROOT_LOSS else times_odds(before, factor)
            near = [p for p in pairs if p[0] == pytest.approx(before, abs=0.51 * 10**-d)]
            assert any(p[-1] == pytest.approx(after, abs=0.51 * 10**-d) for p in near), (row.action, r["response"])
        assert {float(r["n"]) for r in own} <= set(numbers(row.more))


@pytest.mark.parametrize(
    ("changes", "shown"),
    [
        ({DIRT: 12.0}, [(9.0, 8.1)]),
        ({DIRT: 0.1}, [(9.0,)]),
        ({DIRT: -12.0, ROOT_LOSS: 5.0}, [(9.0, 8.0), (2.4, 2.52)]),
        ({DIRT: 2.0, ROOT_LOSS: -12.0}, [(9.0, 9.2), (2.4, 2.11)]),
        ({DIRT: 12.0, DAMAGED: 25.0}, [(20.0, 16.7), (9.0, 8.1)]),
        ({DIRT: -12.0, DAMAGED: 25.0}, [(20.0, 23.8), (9.0, 8.0)]),
    ],
)
def test_each_setting_has_a_sentence_on_its_effects(data, demo: Demo, changes, shown):
    one = data.causes.certain.filter(pl.col("response") == DIRT).head(1)
    rows = [one.with_columns(response=pl.lit(r), change_pct=c, lo95=c - 1, hi95=c + 1) for r, c in changes.items()]
    causes = replace(data.causes, certain=pl.concat(rows))
    (row,) = setting_rows(causes, LEVELS, Prices(), demo.workspace.season.catalogue, METRIC).rows
    assert row.action[0].isupper()
    assert row.action.endswith(".")
    clauses = re.findall(r"[^()]+\([^)]*\)", row.action)
    assert [tuple(numbers(clause.split("(")[0])) for clause in clauses] == shown
    directions = ("rise", "fall", "stay")
    found = [next(d for d in directions if d in clause) for clause in clauses]
    assert found == ["stay" if len(s) == 1 else "rise" if s[1] > s[0] else "fall" for s in shown]


def test_a_confounded_setting_is_uncertain(data, demo: Demo):
    one = data.causes.certain.filter(pl.col("response") == DIRT).head(1)
    levels, catalogue = replace(LEVELS, of={DIRT: 9.0}), demo.workspace.season.catalogue
    standing = {}
    for code in ("effect_within_visits", "effect_confounded"):
        causes = replace(data.causes, certain=one.with_columns(reason_code=pl.lit(code)))
        (row,) = setting_rows(causes, levels, Prices(), catalogue, METRIC).rows
        standing[code] = (row.worth, len(row.more))
    assert standing["effect_within_visits"][0] != standing["effect_confounded"][0]
    assert standing["effect_within_visits"][1] < standing["effect_confounded"][1]


def test_the_five_actions_are_the_classes_with_the_largest_savings(page, warehouse):
    (rows,) = blocks(page, "next", BarRows)
    best = warehouse.table("guide_worth").drop_nulls("generation").sort("saved", descending=True)
    assert len(rows.rows) == 5
    for row, r in zip(rows.rows, best.iter_rows(named=True), strict=False):
        assert r["wetness_class"] in row.title.lower()
        assert r["soil_class"] in row.title.lower()
        assert r["generation"] in row.detail
        assert numbers(row.worth)[0] == two_digits(r["saved"])
        assert row.share == pytest.approx(r["saved"] / best["saved"][0])
        assert numbers(row.more)[:2] == pytest.approx([r["lo95"], r["hi95"]], rel=0.11)


def test_the_move_of_an_action_is_the_one_whose_usual_value_costs_most(page, warehouse, demo: Demo):
    (rows,) = blocks(page, "next", BarRows)
    guide, curves = warehouse.table("guide"), warehouse.table("guide_curve")
    first = warehouse.table("guide_worth").drop_nulls("generation").sort("saved").row(-1, named=True)
    own = {k: first[k] for k in ("generation", "wetness_class", "soil_class")}
    cost = {}
    for r in guide.filter(pl.col("reason_code") == "best_of_tried").filter(**own).iter_rows(named=True):
        curve = curves.filter(pl.col("setting") == r["setting"]).filter(**own)
        if curve.height:
            at = curve.sort((pl.col("value") - r["usual_value"]).abs()).row(0, named=True)
            cost[r["setting"]] = (at["cost_change_per_t"], r["usual_value"], r["start_value"])
    setting = max(cost, key=lambda s: cost[s][0])
    assert demo.workspace.season.catalogue[setting].label in rows.rows[0].action.lower()
    assert numbers(rows.rows[0].before)[0] == pytest.approx(cost[setting][1], abs=5.01)
    assert numbers(rows.rows[0].after)[0] == pytest.approx(cost[setting][2], abs=0.501)


def suggested_trial(setting: str, pairs: int) -> pl.DataFrame:
    row = {
        "setting": setting,
        "wetness_class": "wet",
        "reason_code": "open_wide_interval",
        "reason_args": "{}",
        "machine_id": "M07",
        "detect_pct": 5.0,
        "pairs": pairs,
        "machine_days": pairs / 20,
    }
    return pl.DataFrame([row], schema=schema_of("trial_wanted"))


def test_only_trials_that_end_within_a_season_are_suggested(demo: Demo):
    settings = ["a", "b", "c", "d", "e", "f"]
    days = [None, 1.0, MAX_TRIAL_DAYS + 1.0, 2.0, float(MAX_TRIAL_DAYS), 3.0]
    pairs = [None, 12, 199, 40, 180, 60]
    rows = [
        dict(zip(("setting", "pairs", "machine_days"), r, strict=True)) for r in zip(settings, pairs, days, strict=True)
    ]
    suggested = pl.DataFrame(rows, schema=schema_of("trial_wanted"))
    assert first_trials(suggested)["setting"].to_list() == ["b", "d", "e"]
    assert first_trials(suggested.head(2))["setting"].to_list() == ["b"]
    of_parts = suggested.with_columns(part=pl.lit("tines"), worth=pl.Series([1.0, 1.0, 1.0, 1.0, -1.0, None]))
    assert first_trials(of_parts)["setting"].to_list() == ["b", "c", "d"]
    trials = pl.concat([suggested_trial(name, n) for name, n in (("cleaner_1_speed_rpm", 12), ("share_depth_cm", 60))])
    shown = trials_section(trials, demo.workspace.season, METRIC)
    (table,) = (b for b in shown.blocks if isinstance(b, Table))
    assert [r.cells[3].value for r in table.rows] == [12, 60]
    long = trials_section(trials.with_columns(machine_days=pl.lit(99.0)), demo.workspace.season, METRIC)
    assert not [b for b in long.blocks if isinstance(b, Table)]
    assert long.blocks[0].link == shown.blocks[1].link


def test_runs_of_the_fits_are_in_the_appendix_alone(data, page, demo: Demo):
    runs = [f"{r['fitted_at']:%Y%m%dT%H%M%SZ}" for r in data.footer.fits.iter_rows(named=True)]
    assert page.footer == ()
    appendix = " ".join(season_appendix(data, demo.workspace.season).footer)
    assert all(run in appendix for run in runs)
    failed = replace(data.footer, fits=data.footer.fits.with_columns(converged=pl.lit(value=False)))
    warned = season_page(replace(data, footer=failed), demo.workspace.season).footer
    assert len(warned) == data.footer.fits.height
    assert not any(run in line for run in runs for line in warned)


def test_every_assumed_price_is_to_be_agreed_and_no_other(data, demo: Demo):
    season = demo.workspace.season
    (section,) = (s for s in season_page(data, season).sections if s.id == "agree")
    (table,) = [b for f in section.blocks for b in getattr(f, "blocks", ()) if isinstance(b, Table)]
    assert len(table.rows) == len(season.assumed) == len(fields(Prices))
    agreed = replace(season, assumed=("haul_km",))
    (section,) = (s for s in season_page(data, agreed).sections if s.id == "agree")
    (table,) = [b for f in section.blocks for b in getattr(f, "blocks", ())]
    assert [r.cells[1].value for r in table.rows] == [season.prices.haul_km]
    (section,) = (s for s in season_page(data, replace(season, assumed=())).sections if s.id == "agree")
    assert len(section.blocks) == 1


def test_a_season_without_costs_or_piles_has_a_heading(data):
    costs = data.overview.costs
    optional = [k for n in range(5) for k in combinations(("roots", "tops", "over_topped", "pile"), n)]
    some = [costs.filter(pl.col("part").is_in(["soil", *k])) for k in optional]
    # Both parts of topping are one cause.
    assert len({season_heading(s, METRIC).split(" in ")[1] for s in some}) == 8
    assert all(season_lead(s, Prices(), METRIC) for s in some)
    for kept, rows in zip(optional, some, strict=True):
        assert set(unmeasured_parts(rows)) == {"roots", "tops", "over_topped", "pile"} - set(kept)
    assert season_heading(costs.head(0), METRIC) != season_heading(some[0], METRIC)
    assert season_lead(costs.head(0), Prices(), METRIC) == ""
    assert len(numbers(season_lead(costs.filter(pl.col("part") != "pile"), Prices(), METRIC))) == 1


def test_parts_without_data_are_named_with_the_data_that_would_show_them(data, demo: Demo):
    season, lifted = demo.workspace.season, 1000.0
    whole = cost_section(data.overview, lifted, season, METRIC)
    assert [b for b in whole.blocks if isinstance(b, Prose) and b.note] == []
    soil = replace(data.overview, costs=data.overview.costs.filter(part="soil"))
    (missing,) = (b for b in cost_section(soil, lifted, season, METRIC).blocks if isinstance(b, Prose) and b.note)
    assert [text in missing.text for text in FILLED_BY.values()] == [True] * 4


def test_the_report_has_four_sheets_of_paper_and_the_appendix_its_own(written):
    pages = pypdf.PdfReader(written["season-pdf"]).pages
    assert len(pages) == 4
    assert all(abs(float(p.mediabox.width) - 595.3) < 1 and abs(float(p.mediabox.height) - 841.9) < 1 for p in pages)
    assert len(pypdf.PdfReader(written["season-appendix-pdf"]).pages) > 4


def full_report(data: SeasonPageData) -> SeasonPageData:
    """Return the contents of a report with every section: an invented outcome, and tickets without numbers."""
    with Warehouse.in_memory() as invented:
        invented.store("load_fact", NO_LOADS)
        fill_outcome(invented)
        outcome, months = load_outcome(invented), invented.query("uptake_period", period="month")
    lacking = [(s, 4, 120, 40.0, 76.0, 0.5, 0.7, 500, 1000, 55.0, 73.0, "x") for s in ("machine_id", "truck_id")]
    missing = pl.DataFrame(lacking, schema=schema_of("missing_data"), orient="row")
    return replace(data, outcome=outcome, followed_months=months, missing=missing)


@pytest.mark.parametrize("spoken", ["de-DE", *(pytest.param(s, marks=pytest.mark.slow) for s in ("en", "fr", "pl"))])
def test_a_report_with_every_section_has_four_sheets_with_their_headings(data, demo: Demo, tmp_path, spoken):
    with use_language(spoken):
        report = season_page(full_report(data), demo.workspace.season)
        sheets = pypdf.PdfReader(write_pdf(report, tmp_path / "season.pdf")).pages
    expected: list[list[str]] = [[]]
    for section in report.sections:
        if section.new_page:
            expected.append([])
        if section.title:
            expected[-1].append(" ".join(section.title.split()))
    assert [len(e) for e in expected] == [2, 1, 1, 4]
    assert len(sheets) == 4
    texts = [" ".join(s.extract_text().split()) for s in sheets]
    for title in (t for titles in expected for t in titles):
        assert [title in t for t in texts] == [title in e for e in expected], title


def test_the_workbook_has_every_table_of_the_report_and_the_appendix(written, page, data, demo: Demo):
    sheets = fastexcel.read_excel(written["season-xlsx"]).sheet_names
    tables = [*page.tables, *season_appendix(data, demo.workspace.season).tables]
    assert len(tables) > 20
    assert len(sheets) == len(tables) + 1


def test_hostile_names_are_inert(browser, data, demo: Demo, tmp_path):
    """Names of generations, machines, currency and settings that contain scripts stay text."""
    season = demo.workspace.season
    catalogue = {n: replace(s, label=s.label + EVIL) for n, s in season.catalogue.items()}
    hostile = replace(season, name=EVIL, currency=EVIL, catalogue=catalogue)
    guide = replace(
        data.guide,
        moves=data.guide.moves.with_columns(pl.col("generation") + EVIL),
        worth=data.guide.worth.with_columns(pl.col("generation") + EVIL),
    )
    trials = data.open_questions.suggested_trials.with_columns(pl.col("machine_id") + EVIL)
    named = replace(data, guide=guide, open_questions=replace(data.open_questions, suggested_trials=trials))
    for path in write_season(named, hostile, tmp_path):
        assert EVIL not in path.read_text("utf-8")
        opened(browser, path, 390)
        unfold(browser)
        assert evaluate(browser, "return window.broken === undefined")
        assert console_errors(browser) == []


def test_a_part_with_a_negative_share_counts_as_none_and_the_others_add_up_to_one():
    kinds = pl.DataFrame(
        {
            "response": DIRT,
            "kind": ["condition", "setting", "machine", "field", "lab"],
            "share": [0.5, 0.3, -0.1, 0.2, 0.1],
        }
    )
    shares = source_shares(kinds)
    assert shares["machines"] == 0
    assert sum(shares.values()) == pytest.approx(1)
    assert shares["conditions"] == pytest.approx(0.5 / 1.1)
    assert next(iter(shares)) == "conditions"


def test_settings_are_shown_if_the_variance_cannot_be_divided(data, demo: Demo):
    causes = replace(data.causes, kinds=data.causes.kinds.clear())
    undivided = season_page(replace(data, causes=causes), demo.workspace.season)
    assert blocks(undivided, "drivers", PartBar) == []
    assert len(blocks(undivided, "drivers", BarRows)) == 1
