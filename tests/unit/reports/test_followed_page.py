"""Page on the advice of the season, its part of the season report and its warning, compared with the tables."""

import re
from dataclasses import replace

import polars as pl
import pypdf
import pytest

from reports.page.formats import OutputFormats
from reports.page.model import Fold, Page
from reports.page.pdf import picture
from reports.page.summary import BarRows
from reports.page.tables import Table
from reports.pages.followed import by_machine, by_operator, followed_page, write_followed
from reports.pages.followed_data import FollowedPageData, load_followed_page
from reports.sections.followed_figures import ends_finding, savings_figure
from reports.sections.followed_withheld import withheld_words
from reports.sections.outcome_answer import lead_words, lot_words, outcome
from reports.sections.outcome_data import load_outcome
from reports.sections.season_followed import season_followed_section
from tests.support.invented_outcome import fill_outcome
from tests.unit.reports.test_shift_parts import METRIC, figures
from transforms.config.workspace import Season, init_workspace
from transforms.contracts.result_tables import schema_of
from transforms.storage.warehouse import Warehouse

NO_LOADS = pl.DataFrame(
    schema={"load_id": pl.String, "shift_date": pl.Date, "delivered_t": pl.Float64, "dirt_tare_pct": pl.Float64}
)
COUNTS = ("moves", "followed", "partly", "not_made", "opposite", "unknown")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return init_workspace(tmp_path_factory.mktemp("followed") / "w").season


@pytest.fixture(scope="module")
def warehouse():
    with Warehouse.in_memory() as opened:
        opened.store("load_fact", NO_LOADS)
        fill_outcome(opened)
        yield opened


@pytest.fixture(scope="module")
def data(warehouse: Warehouse) -> FollowedPageData:
    return load_followed_page(warehouse)


@pytest.fixture(scope="module")
def page(data: FollowedPageData, season: Season) -> Page:
    return followed_page(data, season)


def tables(page: Page) -> dict[str, Table]:
    return {t.id: t for t in page.tables}


def test_the_heading_has_the_changes_made_and_the_saving_promised_and_realised(page, data, warehouse):
    total, saving = data.outcome.total, warehouse.table("realised_saving").row(0, named=True)
    made, known, promised, saved, low, high = figures(page.title)
    assert (int(made), int(known)) == (total["followed"], total["moves"] - total["unknown"])
    shown = [float(v) for v in (promised, saved, low, high)]
    columns = ("promised_per_t", "realised_per_t", "lo95", "hi95")
    assert shown == pytest.approx([saving[c] for c in columns], rel=0.051)
    assert outcome(data.outcome).code == "as_promised"
    assert int(figures(page.lead)[-1]) == total["unknown"]


def test_operators_have_their_counts_and_are_not_ranked(data, season):
    counts = {c: [3, 9] if c in {"moves", "followed"} else [0, 0] for c in COUNTS}
    known = replace(data, operators=pl.DataFrame({"operator_id": ["P1", "P2"], **counts}))
    found = followed_page(known, season)
    rows = tables(found)["operators-uptake-table"].rows
    assert [[c.value for c in r.cells] for r in rows] == [["P1", 3, 3, 0, 0, 0, 0], ["P2", 9, 9, 0, 0, 0, 0]]
    finding = ends_finding(known.operators, by_operator())
    assert "P1" not in finding
    assert "P2" not in finding
    assert "operators" not in {s.id for s in followed_page(data, season).sections}


@pytest.mark.parametrize(("part", "query"), [("weeks", "weeks"), ("machines", "machines")])
def test_the_tables_have_the_counts_and_savings_of_the_queries(page, data, part, query):
    rows, found = getattr(data, query), tables(page)
    counts = [[c.value for c in r.cells[1:]] for r in found[f"{part}-uptake-table"].rows]
    assert counts == [list(r) for r in rows.select(COUNTS).iter_rows()]
    known = rows.drop_nulls("saved_per_t")
    savings = found[f"{part}-savings-table"].rows
    assert len(savings) == known.height > 0
    for row, r in zip(savings, known.iter_rows(named=True), strict=True):
        shifts, promised, saved = row.cells[1:]
        assert (shifts.value, promised.value, saved.value) == (r["shifts"], r["promised_per_t"], r["saved_per_t"])
        assert saved.is_pale == (r["shifts"] < 30)
        assert saved.lo is None or saved.lo == pytest.approx(r["saved_per_t"] - r["saved_half"])


def test_the_last_moves_have_their_values_and_marks(page, data, season):
    rows = [r for name, table in tables(page).items() if name.startswith("recent-") for r in table.rows]
    assert len(rows) == data.recent.height
    folds = [b for s in page.sections if s.id == "recent" for b in s.blocks if isinstance(b, Fold)]
    assert [f.open for f in folds] == [True] + [False] * 6
    for row, r in zip(rows, data.recent.iter_rows(named=True), strict=True):
        assert row.marks == {"machine": r["machine_id"], "uptake": r["uptake_code"]}
        before, advised, *done = figures(f"{row.cells[2].text} {row.cells[3].text}")
        assert (float(before), float(advised)) == (r["from_value"], r["to_value"])
        step = season.catalogue[r["setting"]].step
        assert [float(v) for v in done] == pytest.approx([] if r["done_value"] is None else [r["done_value"]], abs=step)
        spent = [] if r["made_s"] is None else [r["made_s"] / 3600, r["judged_s"] / 3600]
        clock = 0 if r["first_at"] is None else 2
        assert [float(h) for h in figures(row.cells[4].text)[clock:]] == pytest.approx(spent, abs=0.051)


def test_machines_are_ranked_only_with_enough_changes():
    by = by_machine()
    columns = ["machine_id", "moves", "unknown", "followed"]
    rows = pl.DataFrame(
        [("M1", 42, 2, 36), ("M2", 30, 0, 1), ("M3", 29, 0, 29), ("M4", 39, 38, 0)], schema=columns, orient="row"
    )
    assert re.findall(r"M\d|\b\d+", ends_finding(rows, by)) == ["M1", "36", "40", "M2", "1", "30"]
    assert figures(ends_finding(rows.filter(machine_id="M3"), by)) == ["29", "29"]


def test_savings_of_fewer_than_thirty_shifts_are_pale_and_not_counted():
    columns = ["machine_id", "shifts", "promised_per_t", "saved_per_t", "saved_half"]
    given = [("M1", 30, 0.3, 0.4, 0.1), ("M2", 29, 0.3, 0.4, 0.1), ("M3", 31, 0.3, 0.1, 0.1)]
    savings = pl.DataFrame(given, schema=columns, orient="row")
    figure = savings_figure(savings, by_machine(), "", METRIC)
    assert figures(figure.finding) == ["1", "2"]
    assert figures(figure.reading) == ["95", "30"]
    assert figure.table is not None
    assert figure.chart is not None
    assert [r.cells[3].is_pale for r in figure.table.rows] == [False, True, False]
    marks = picture(figure.chart, 460).decode()
    assert marks.count('opacity="0.45"') == 2  # dot and interval
    few = savings_figure(savings.filter(machine_id="M2"), by_machine(), "", METRIC)
    assert figures(few.finding) == ["30"]


def test_a_month_of_few_shifts_is_pale_in_the_season_report(warehouse):
    months = warehouse.query("uptake_period", period="month").with_row_index("nth")
    months = months.with_columns(shifts=pl.when(nth=0).then(29).otherwise(30), saved_per_t=0.3, promised_per_t=0.3)
    section = season_followed_section(load_outcome(warehouse), months, METRIC)
    assert section is not None
    (bars,) = (b for b in section.blocks if isinstance(b, BarRows))
    assert [(r.is_pale, bool(r.detail)) for r in bars.rows] == [(k == 0, k == 0) for k in range(months.height)]


def test_shifts_without_advice_are_counted_by_reason():
    rows = [
        ("hold", "advice_too_few_loads", 3),
        ("hold", "no_change_better", 7),
        ("move", None, 20),
        ("try", None, 2),
        ("hold", "a_later_reason", 1),
    ]
    table = pl.DataFrame(rows, schema=schema_of("advice_verdict"), orient="row")
    assert figures(withheld_words(table)) == ["13", "33", "7", "3", "2", "1"]
    assert withheld_words(table.filter(verdict="move")) == ""
    assert withheld_words(table.clear()) == ""


def test_the_season_report_has_a_bar_per_month_and_the_link(warehouse, data):
    months = warehouse.query("uptake_period", period="month")
    section = season_followed_section(data.outcome, months, METRIC)
    assert section is not None
    answer, bars, withheld = section.blocks
    assert isinstance(bars, BarRows)
    assert figures(answer.text)[:2] == figures(followed_title(data))[:2]
    for row, r in zip(bars.rows, months.iter_rows(named=True), strict=True):
        assert row.share == pytest.approx(r["followed"] / (r["moves"] - r["unknown"]))
        assert figures(row.worth) == [str(r["followed"]), str(r["moves"] - r["unknown"])]
        assert [float(v) for v in figures(row.action)] == pytest.approx(
            [r["promised_per_t"], r["saved_per_t"]], rel=0.06
        )
    assert withheld.link[1] == "followed.html"
    assert figures(withheld.text) == ["52", "452", "40", "12"]


def followed_title(data: FollowedPageData) -> str:
    return f"{data.outcome.total['followed']} {data.outcome.known}"


def test_advice_withheld_by_lot_is_compared():
    tables_of_outcome = ("advice_uptake", "realised_shift", "realised_saving", "advice_calibration", "advice_verdict")
    with Warehouse.in_memory(*tables_of_outcome) as by_lot:
        fill_outcome(by_lot, hold_back=0.2)
        data = load_outcome(by_lot)
    row = data.saving.filter(group_code="randomised").row(0, named=True)
    saved, low, high, promised, n = (float(v) for v in figures(lot_words(data, METRIC)))
    columns = ("realised_per_t", "lo95", "hi95", "promised_per_t")
    assert [saved, low, high, promised] == pytest.approx([abs(row[c]) for c in columns], abs=0.0051)
    assert n == row["shifts"]
    assert lot_words(data, METRIC) in lead_words(data, METRIC)
    none = replace(data, saving=data.saving.filter(pl.col("group_code") != "randomised"))
    assert lot_words(none, METRIC) == ""


def test_an_empty_season_has_a_page_that_gives_the_reason(season, tmp_path):
    with Warehouse.in_memory() as empty:
        empty.store("load_fact", NO_LOADS)
        data = load_followed_page(empty)
        assert season_followed_section(load_outcome(empty), data.weeks, METRIC) is None
    page = followed_page(data, season)
    assert outcome(data.outcome).code == "no_moves"
    assert [s.id for s in page.sections] == ["how"]
    assert "None" not in write_followed(data, season, tmp_path)[0].read_text("utf-8")


def test_few_shifts_have_counts_without_savings(season, tmp_path):
    with Warehouse.in_memory() as few:
        fill_outcome(few)
        few.store("load_fact", NO_LOADS)
        nothing = {c: pl.lit(None, pl.Float64) for c in ("contrast_promised_per_t", "contrast_saved_per_t")}
        few.replace("realised_shift", few.table("realised_shift").with_columns(**nothing))
        few.replace("realised_saving", few.table("realised_saving").with_columns(verdict_code=pl.lit("too_few")))
        few.replace("advice_calibration", few.table("advice_calibration").clear())
        data = load_followed_page(few)
    page = followed_page(data, season)
    assert len(figures(page.title)) == 2
    assert {f.id for f in page.figures} == {"weeks-uptake", "machines-uptake"}
    paths = write_followed(data, season, tmp_path, OutputFormats(pdf=True, xlsx=True))
    assert [p.suffix for p in paths] == [".html", ".pdf", ".xlsx"]
    assert len(pypdf.PdfReader(paths[1]).pages) >= 2


def test_ids_that_contain_scripts_stay_text(data, season, tmp_path):
    evil = pl.col("machine_id") + "<script>window.broken=1</script>"
    frames = {n: getattr(data, n).with_columns(evil) for n in ("machines", "undone", "unknown", "recent")}
    text = write_followed(replace(data, **frames), season, tmp_path)[0].read_text("utf-8")
    assert "<script>window" not in text
    assert "&lt;script&gt;window" in text


def test_savings_are_per_short_ton_in_us_units(data, season):
    us = replace(season, units="us", currency="USD")
    metric, short = (tables(followed_page(data, s))["machines-savings-table"].rows for s in (season, us))
    for one, other in zip(metric, short, strict=True):
        assert other.cells[3].value == pytest.approx(one.cells[3].value * 0.90718474)
