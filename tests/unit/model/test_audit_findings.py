"""Findings on dig-behind audits: they fire if the numbers cannot be of the plot, and not on good audits."""

import json

import numpy as np
import polars as pl
import pytest

from transforms.contracts.harvest_checks import BREAK_CLASSES
from transforms.contracts.result_tables import schema_of
from transforms.model.audit_findings import audit_findings
from transforms.model.root_loss import BREAK_FRACTION

PLOT_M2, YIELD_T_HA, ROOT_KG, BROKEN_SHARE = 60.0, 76.0, 0.8, 0.4
PLANTS = YIELD_T_HA * 1000 / ROOT_KG * PLOT_M2 / 10_000
MIX = (0.46, 0.31, 0.16, 0.07)


def audits(n: int = 8, *, broken_share: float = BROKEN_SHARE, file: str = "a.xlsx", seed: int = 1) -> pl.DataFrame:
    """Plots of 60 m2 on which a share of the plants lost their tips and one in fifty was left whole."""
    rng = np.random.default_rng(seed)
    counts = {
        c: rng.poisson(p * broken_share * PLANTS, n).astype(float) for c, p in zip(BREAK_CLASSES, MIX, strict=True)
    }
    return pl.DataFrame(counts).with_columns(
        pl.Series("audit_id", [f"A{i}" for i in range(n)]),
        pl.Series("whole_roots_count", rng.poisson(PLANTS / 50, n).astype(float)),
        pl.lit(file).alias("file"),
        pl.lit(file).alias("source_sha256"),
        plot_m2=PLOT_M2,
        root_mass_kg=ROOT_KG,
        yield_t_ha=YIELD_T_HA,
    )


def weighed(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the mass of the broken tips, with an error of a third from plot to plot."""
    kg = pl.sum_horizontal(pl.col(c) * f * ROOT_KG for c, f in BREAK_FRACTION.items())
    errors = np.exp(np.random.default_rng(3).normal(0, 0.3, rows.height))
    return rows.with_columns((kg * pl.Series(errors)).alias("broken_mass_kg"))


def of_a_sample(rows: pl.DataFrame, roots: int) -> pl.DataFrame:
    """Replace the counts of the plots by those of a sample of roots, as if they were of the whole plot."""
    return rows.with_columns((pl.col(c) * roots / PLANTS).round(0) for c in BREAK_CLASSES)


def codes(rows: pl.DataFrame) -> list[str]:
    return audit_findings(rows)["reason_code"].to_list()


def args(rows: pl.DataFrame) -> dict[str, float | str]:
    return json.loads(audit_findings(rows)["reason_args"][0])


@pytest.mark.parametrize("broken_share", [0.05, 0.15, 0.4, 0.9])
def test_good_audits_have_no_finding(broken_share):
    rows = audits(broken_share=broken_share)
    assert codes(rows) == codes(weighed(rows)) == []
    assert audit_findings(rows).schema == schema_of("audit_finding")
    assert codes(rows.clear()) == []


def test_more_pieces_than_plants_are_found_with_the_worst_audit():
    """Pieces of a sample of 500 roots, stated for a plot of 10 m2 that had 95 plants."""
    rows = of_a_sample(audits(), 500).with_columns(plot_m2=10.0)
    assert codes(rows) == ["audit_pieces_exceed_plants"]
    found = args(rows)
    assert found["n"] == 8
    assert found["plants"] == pytest.approx(95.0)
    assert found["pieces"] > 1.2 * 95


def test_rows_of_unknown_spacing_are_found_because_they_have_no_loss():
    rows = audits().with_columns(plot_m2=None, plot_length_m=40.0, plot_rows_count=3.0)
    assert codes(rows) == ["audit_spacing_unknown"]
    assert args(rows) == {"n": 8, "audit_id": "A0"}
    assert codes(rows.with_columns(row_spacing_cm=50.0)) == []


def test_a_few_pieces_too_many_on_a_small_plot_are_within_its_accuracy():
    rows = audits().with_columns(pl.lit(0.0).alias(c) for c in (*BREAK_CLASSES, "whole_roots_count"))
    small = rows.with_columns(plot_m2=1.0, broken_2_4_cm_count=13.0)
    assert codes(small) == []
    assert codes(small.with_columns(broken_2_4_cm_count=16.0)) == ["audit_pieces_exceed_plants"]


def test_a_loss_of_more_than_half_of_the_yield_is_found():
    rows = weighed(audits()).with_columns(pl.col("broken_mass_kg") * 40)
    assert codes(rows)[0] == "audit_loss_exceeds_yield"
    assert args(rows)["pct"] > 50


@pytest.mark.parametrize("roots", [20, 50, 100])
def test_broken_pieces_of_a_sample_taken_for_the_whole_plot_are_found_by_their_masses(roots):
    whole_plot = weighed(audits())
    sample = of_a_sample(whole_plot, roots)
    assert codes(sample) == ["audit_counts_below_masses"]
    assert args(sample)["ratio"] == pytest.approx(PLANTS / roots, rel=0.35)
    stated = sample.drop("broken_mass_kg").with_columns(tip_loss_t_ha=1.8)
    assert codes(stated) == ["audit_counts_below_masses"]


def test_a_sample_that_is_mapped_as_one_has_no_finding():
    sample = of_a_sample(audits(), 100).with_columns(sampled_roots_count=100.0, whole_roots_count=2.0)
    assert codes(sample) == []
    stated = sample.with_columns(tip_loss_t_ha=1.5)
    assert codes(stated) == []


def test_counts_of_a_larger_area_than_the_masses_are_found():
    rows = weighed(audits()).with_columns(pl.col("broken_mass_kg") / 8)
    assert codes(rows) == ["audit_counts_above_masses"]


def test_a_sample_of_few_roots_is_found_without_masses_if_every_audit_has_too_few_tips():
    few = of_a_sample(audits(), 20)
    assert codes(few) == ["audit_counts_few"]
    assert codes(few.head(4)) == []
    one_good = pl.concat([few.head(7), audits().tail(1)])
    assert codes(one_good) == []
    only_whole = audits().with_columns(pl.lit(None, dtype=pl.Float64).alias(c) for c in BREAK_CLASSES)
    assert codes(only_whole) == []


def test_files_are_judged_one_by_one_and_two_audits_are_too_few_for_a_median():
    good, sample = weighed(audits(file="good.xlsx")), of_a_sample(weighed(audits(file="sample.xlsx", seed=2)), 50)
    found = audit_findings(pl.concat([good, sample]))
    assert found.select("file", "reason_code").rows() == [("sample.xlsx", "audit_counts_below_masses")]
    assert codes(sample.head(2)) == []
