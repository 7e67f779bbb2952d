"""Text, table and charts of the fleet page agree on the subjects that differ clearly."""

import re

import polars as pl
import pytest

from flows import stages
from reports.charts.funnel import funnel
from reports.charts.subject_groups import HEADER, subject_groups
from reports.language.display_units import DisplayUnits
from reports.language.labels import STANDING, UNJUDGED
from reports.language.translate import use_language
from reports.page.pdf import picture
from reports.page.tables import Row
from reports.page.theme import FEW
from reports.pages.fleet import DIRT_GROUPS, KINDS, _chart, fleet_page, fleet_sentence, fleet_title, other_comparisons
from reports.pages.fleet_data import load_fleet_page
from reports.pages.fleet_tables import benchmark_table, comparison_count, comparison_finding
from reports.sections.district_map import judged
from tests.support.program import Demo
from tests.unit.reports.chromium import evaluate, opened
from transforms.benchmark.benchmark import BENCHMARK_SCHEMA
from transforms.contracts.reason import reason

SUBJECTS = pl.DataFrame(
    {
        "subject_kind": "machine",
        "subject_id": ["M1", "M2", "M3", "M4", "M5"],
        "response": "dirt_tare_pct",
        "observed": [6.0, 7.0, 8.0, 9.0, None],
        "expected": [7.0, 7.0, 8.0, 8.2, None],
        "from_settings": [0.1, 0.0, 0.0, 0.1, None],
        "from_outliers": [0.0, 0.0, 0.0, 0.0, None],
        "unexplained": [-1.1, 0.0, 0.0, 0.7, None],
        "lo95": [-1.6, -0.5, -0.5, 0.2, None],
        "hi95": [-0.6, 0.5, 0.5, 1.2, None],
        "shrunken": [-1.0, 0.0, 0.0, 0.6, None],
        "shrunken_lo95": [-1.4, -0.4, -0.4, 0.1, None],
        "shrunken_hi95": [-0.6, 0.4, 0.4, 1.1, None],
        "standing": ["lower", "usual", "usual", "higher", None],
        "reason_code": [None] * 4 + ["few_loads"],
        "reason_args": [None] * 4 + [reason("few_loads", measured=3, needed=30).args],
        # Spiegelhalter's limits allow for the variation between subjects: nobody is beyond them.
        "limit_95": [1.5, 1.5, 1.5, 1.5, None],
        "limit_998": [2.4, 2.4, 2.4, 2.4, None],
        "funnel": ["within"] * 4 + [None],
        "n": [90, 80, 70, 60, 3],
    },
    schema_overrides={k: v for k, v in BENCHMARK_SCHEMA.items() if k in {"lo95", "rank"}},
).select(
    pl.all(),
    *(
        pl.lit(None).cast(t).alias(k)
        for k, t in BENCHMARK_SCHEMA.items()
        if k in {"rank", "rank_lo95", "rank_hi95", "subjects"}
    ),
)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("response", ["dirt_tare_pct", "root_loss_t_ha"])
def test_only_fields_and_growers_have_funnels(kind, response):
    """A season has one day after another and no chart; all other kinds have a row with a name for each subject."""
    chart = _chart(SUBJECTS, response, kind, "%")
    if kind == "season":
        assert chart is None
        return
    assert chart is not None
    names = set(SUBJECTS["subject_id"][:4])
    texts = set(re.findall(r"<text[^>]*>([^<]*)</text>", picture(chart, 460).decode()))
    assert (names <= texts) == (kind not in {"field", "grower"})
    assert _chart(SUBJECTS.head(2), response, kind, "%") is None


def test_text_chart_and_table_have_the_same_subjects_apart():
    chart = funnel(SUBJECTS, "points", "n loads").datasets["rows"]
    apart = {r["subject_id"] for r in chart if r["standing"] != "usual"}
    assert apart == {"M1", "M4"}
    assert len(chart) == 4
    # "4 of 5 compared; 2 differ clearly"
    text = comparison_finding(SUBJECTS, "points")
    assert [int(n) for n in re.findall(r"\d+", text)[:3]] == [4, 5, 2]
    assert [int(n) for n in re.findall(r"\d+", comparison_count(SUBJECTS))] == [2, 4]
    assert "M1" in text
    assert "M4" in text
    table = benchmark_table("t", "t", SUBJECTS, "points")
    column = [c.head for c in table.columns].index("Compared with the middle")
    standings = {r.cells[0].text: r.cells[column].text for r in table.rows if isinstance(r, Row)}
    assert {name for name, label in standings.items() if label in {STANDING["lower"], STANDING["higher"]}} == apart


def test_subjects_with_few_rows_are_drawn_but_not_judged():
    """M4 has few rows: it keeps its own effect, and neither text nor chart says that it differs."""
    is_few = pl.col("subject_id") == "M4"
    rows = SUBJECTS.with_columns(
        n=pl.when(is_few).then(12).otherwise("n"), standing=pl.when(~is_few).then(pl.col("standing"))
    )
    drawn = {r["subject_id"]: r for r in funnel(rows, "points", "n loads").datasets["rows"]}
    assert drawn["M4"]["standing"] == UNJUDGED
    assert drawn["M4"]["shrunken"] == 0.6
    assert groups_of(subject_groups(rows, dict(DIRT_GROUPS), "points", "n loads")) == [[], ["M2", "M3"], ["M1"], ["M4"]]
    assert "M4" not in comparison_finding(rows, "points")
    assert [int(n) for n in re.findall(r"\d+", comparison_finding(rows, "points"))[:5]] == [4, 5, 3, 30, 1]
    assert [int(n) for n in re.findall(r"\d+", comparison_count(rows))] == [1, 3]
    table = benchmark_table("t", "t", rows, "points")
    texts = {r.cells[0].text: [c.text for c in r.cells] for r in table.rows}
    assert STANDING[UNJUDGED] in texts["M4"]
    assert STANDING["higher"] not in texts["M4"]


def test_comparisons_without_a_difference_share_one_fold():
    """Of three other comparisons one finds a difference: it has a line of its own, and the other two share one."""
    of_kind = [("top_tare_pct", "machine"), ("top_tare_pct", "operator"), ("root_loss_t_ha", "machine")]
    table = pl.concat(
        SUBJECTS.with_columns(
            pl.lit(response).alias("response"),
            pl.lit(kind).alias("subject_kind"),
            standing=pl.col("standing") if k == 0 else pl.when(pl.col("n") >= FEW).then(pl.lit("usual")),
        )
        for k, (response, kind) in enumerate(of_kind)
    )
    with use_language("en", None):
        folds = other_comparisons(table, DisplayUnits("metric", "EUR", "UTC"))
    assert [[block.id for block in fold.blocks] for fold in folds] == [
        ["top_tare_pct-machine"],
        ["root_loss_t_ha-machine", "top_tare_pct-operator"],
    ]


def test_outlying_loads_have_a_column_only_if_there_are_any():
    plain = benchmark_table("t", "t", SUBJECTS, "points")
    outlying = SUBJECTS.with_columns(from_outliers=pl.when(pl.col("subject_id") == "M1").then(0.2).otherwise(0.0))
    assert len(benchmark_table("t", "t", outlying, "points").columns) == len(plain.columns) + 1
    assert all(len(r.cells) == len(plain.columns) for r in plain.rows)


def axis_of(chart) -> list[str]:
    """Return the rows of the chart from top to bottom: headings of groups and names."""
    return next(layer["encoding"]["y"]["scale"]["domain"] for layer in chart.spec["layer"] if "y" in layer["encoding"])


def groups_of(chart) -> list[list[str]]:
    """Return the names under each heading of the chart."""
    out: list[list[str]] = []
    for line in axis_of(chart):
        if line.startswith(HEADER):
            out.append([])
        else:
            out[-1].append(line)
    return out


def intervals_by_hand(rows: pl.DataFrame) -> list[list[str]]:
    """Return names above, at and below zero from their intervals alone, without the stored code."""
    found: dict[str, list[tuple[float, str]]] = {code: [] for code in ("higher", "usual", "lower")}
    for r in rows.iter_rows(named=True):
        if r["shrunken"] is not None:
            low, high = r["shrunken_lo95"], r["shrunken_hi95"]
            code = "higher" if low > 0 else "lower" if high < 0 else "usual"
            found[code].append((-r["shrunken"], r["subject_id"]))
    return [[name for _, name in sorted(names)] for names in found.values()]


def test_the_three_groups_are_those_of_the_intervals(demo: Demo, written):  # noqa: ARG001  the pages are written first
    with stages.open_warehouse(demo.workspace) as warehouse:
        data = load_fleet_page(warehouse, demo.workspace.season)
    page = fleet_page(data, demo.workspace.season)
    machines = data.comparison.filter(pl.col("response") == "dirt_tare_pct", pl.col("subject_kind") == "machine")
    expected = intervals_by_hand(machines)
    assert groups_of(page.figures[0].chart) == expected
    assert sum(map(len, expected)) >= 3
    dirtier, compared = len(expected[0]), sum(map(len, expected))
    shown = [int(n) for n in re.findall(r"\d+", page.title)]
    assert shown == ([dirtier, compared] if dirtier else [])
    assert (expected[0][0] in page.lead) if dirtier else (machines["subject_id"][0] not in page.lead)


@pytest.mark.slow
def test_map_and_comparison_of_fields_seldom_contradict_each_other(default_demo: Demo):
    """The map holds effects of settings and machines, the comparison does not; the field's own effect is in both."""
    with stages.open_warehouse(default_demo.workspace) as warehouse:
        data = load_fleet_page(warehouse, default_demo.workspace.season)
    fields = data.comparison.filter(pl.col("response") == "dirt_tare_pct", pl.col("subject_kind") == "field")
    on_map = judged(data.district.fields).select("field_id", pl.col("standing").alias("on_map"), "difference_pct")
    both = fields.join(on_map, left_on="subject_id", right_on="field_id")
    opposite = both.filter(
        ((pl.col("standing") == "higher") & (pl.col("on_map") == "cleaner"))
        | ((pl.col("standing") == "lower") & (pl.col("on_map") == "dirtier"))
    )
    alike = both.filter(
        ((pl.col("standing") == "higher") & (pl.col("on_map") == "dirtier"))
        | ((pl.col("standing") == "lower") & (pl.col("on_map") == "cleaner"))
    )
    assert alike.height > opposite.height
    assert opposite.height < 0.1 * both.height


def test_heading_and_sentence_follow_the_groups():
    assert [int(n) for n in re.findall(r"\d+", fleet_title(SUBJECTS))] == [1, 4]
    assert fleet_sentence(SUBJECTS).startswith("M4")
    calm = SUBJECTS.with_columns(
        standing=pl.when(pl.col("standing") == "higher").then(pl.lit("usual")).otherwise("standing")
    )
    assert not re.search(r"\d", fleet_title(calm))
    assert "M4" not in fleet_sentence(calm)
    nobody = SUBJECTS.filter(pl.col("standing").is_null())
    assert fleet_title(nobody) not in {fleet_title(calm), fleet_title(SUBJECTS)}


@pytest.mark.parametrize("name", ["<script>window.broken=1</script>", "Dirtier (1)", "'] || alert(1)", ""])
def test_a_name_cannot_take_the_place_of_a_heading(name):
    rows = SUBJECTS.with_columns(
        subject_id=pl.when(pl.col("subject_id") == "M1").then(pl.lit(name)).otherwise("subject_id")
    )
    chart = subject_groups(rows, dict(DIRT_GROUPS), "points", "n loads")
    assert groups_of(chart) == [["M4"], ["M2", "M3"], [name]]
    tests = [
        layer["encoding"]["y"]["axis"]["labelFontWeight"]["condition"]["test"]
        for layer in chart.spec["layer"]
        if "y" in layer["encoding"]
    ]
    assert all("alert" not in t and "script" not in t for t in tests)


def test_the_first_screen_of_a_phone_has_heading_sentence_and_chart_alone(browser, written):
    opened(browser, written["fleet"], 390)
    bottom = "return document.querySelector(arguments[0]).getBoundingClientRect().bottom"
    assert evaluate(browser, bottom, "#chart-dirt_tare_pct-machine svg") < 844
    others = evaluate(
        browser,
        "const chart = document.querySelector('#chart-dirt_tare_pct-machine').getBoundingClientRect().bottom;"
        "return [...document.querySelectorAll('nav, table, form, .caution, .strip, .card, p:not(.when):not(.lead)')]"
        ".filter(e => e.offsetParent !== null && e.getBoundingClientRect().top < chart).map(e => e.outerHTML)",
    )
    assert others == []
