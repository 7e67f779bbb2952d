"""Text, table and chart of the fleet page agree on the subjects that differ clearly."""

import re

import polars as pl

from reports.charts.funnel import STANDING, funnel
from reports.page.tables import Row
from reports.pages.fleet import benchmark_table, comparison_finding
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


def test_text_chart_and_table_have_the_same_subjects_apart():
    chart = funnel(SUBJECTS, "points", "n loads").datasets["rows"]
    apart = {r["subject_id"] for r in chart if r["standing"] != "usual"}
    assert apart == {"M1", "M4"}
    assert len(chart) == 4
    # "4 of 5 compared; 2 differ clearly"
    text = comparison_finding(SUBJECTS, "points")
    assert [int(n) for n in re.findall(r"\d+", text)[:3]] == [4, 5, 2]
    assert "M1" in text
    assert "M4" in text
    table = benchmark_table("t", "t", SUBJECTS, "points")
    column = [c.head for c in table.columns].index("Compared with the middle")
    standings = {r.cells[0].text: r.cells[column].text for r in table.rows if isinstance(r, Row)}
    assert {name for name, label in standings.items() if label in {STANDING["lower"], STANDING["higher"]}} == apart


def test_outlying_loads_have_a_column_only_if_there_are_any():
    plain = benchmark_table("t", "t", SUBJECTS, "points")
    outlying = SUBJECTS.with_columns(from_outliers=pl.when(pl.col("subject_id") == "M1").then(0.2).otherwise(0.0))
    assert len(benchmark_table("t", "t", outlying, "points").columns) == len(plain.columns) + 1
    assert all(len(r.cells) == len(plain.columns) for r in plain.rows)
