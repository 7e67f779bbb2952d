"""Plausibility of dig-behind audits: numbers that cannot belong to the plot they are stated for.

A finding does not remove an audit; it names the file so that a person corrects its mapping.
"""

from collections.abc import Iterator

import polars as pl

from transforms.contracts.harvest_checks import BREAK_CLASSES
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.model.audit_plot import resolve_plot, with_inputs
from transforms.model.root_loss import counted_tips_kg, root_loss

MAX_PIECES_PER_PLANT = 1.2
"""More pieces than this per plant of the plot cannot be from it; plants grow unevenly within a field."""
MIN_EXCESS_PIECES = 5
"""Fewer pieces beyond the plants are within the accuracy of the number of plants on a small plot."""
MAX_LOST_SHARE = 0.5
"""Largest plausible share of the yield that is lost."""
MAX_MASS_RATIO = 3.0
"""Counted and weighed masses of the same pieces differ by a smaller factor, whatever the break diameters."""
MIN_AUDITS = 3
"""Minimum number of audits of a file for a finding from its median."""
MIN_TIPS_PER_PLANT = 0.02
"""Even careful lifting breaks more tips than this; a field rule accepts 15 in 100 roots beyond 2 cm."""
MIN_AUDITS_WITHOUT_MASSES = 5
"""Minimum number of audits of a file, all with fewer tips than this, for a finding from counts alone."""


def audit_findings(audits: pl.DataFrame) -> pl.DataFrame:
    """Return the findings on the audits of each file, as rows of `audit_finding`.

    Args:
        audits: rows of `sql/queries/audit_ground.sql`, as received.
    """
    rows = _with_measures(audits)
    found = [
        {"source_sha256": sha, "file": file, **why.columns}
        for (sha, file), of_file in rows.sort("source_sha256", "audit_id")
        .partition_by("source_sha256", "file", as_dict=True, maintain_order=True)
        .items()
        for why in (*_without_area(of_file), *_impossible(of_file), *_of_a_sample(of_file))
    ]
    return pl.DataFrame(found, schema=schema_of("audit_finding"))


def _with_measures(audits: pl.DataFrame) -> pl.DataFrame:
    """Return per audit its pieces, plants, share of yield lost, and ratios of weighed or stated to counted masses."""
    inputs = with_inputs(audits)
    plot, losses = resolve_plot(inputs), root_loss(inputs)
    area = pl.col("area_m2")
    measures = plot.select(
        pl.col("stand_per_ha").mul(area / 10_000).alias("plants"),
        pl.sum_horizontal(*BREAK_CLASSES, "whole_roots_count").alias("pieces"),
        pl.when(pl.col(BREAK_CLASSES[0]).is_not_null()).then(pl.sum_horizontal(BREAK_CLASSES)).alias("tips"),
        counted_tips_kg().alias("counted_kg"),
        area,
    )
    stated_kg = pl.col("tip_loss_t_ha") * pl.col("area_m2") / 10
    return (
        inputs.select(
            "source_sha256", "file", "audit_id", "plot_length_m", "broken_mass_kg", "tip_loss_t_ha", "yield_t_ha"
        )
        .hstack(measures)
        .hstack([losses["root_loss_t_ha"].alias("lost_t_ha")])
        .with_columns(
            (pl.coalesce("broken_mass_kg", stated_kg) / pl.col("counted_kg")).fill_nan(1.0).alias("mass_ratio"),
            (pl.col("pieces") / pl.col("plants")).alias("pieces_per_plant"),
            (pl.col("tips") / pl.col("plants")).alias("tips_per_plant"),
            (pl.col("lost_t_ha") / pl.col("yield_t_ha")).alias("lost_share"),
        )
    )


def _without_area(rows: pl.DataFrame) -> Iterator[Reason]:
    """Yield a finding on audits of rows of a length, but of unknown spacing, whose loss is therefore unknown."""
    unknown = rows.filter(pl.col("area_m2").is_null(), pl.col("lost_t_ha").is_null(), pl.col("plot_length_m") > 0)
    if unknown.height:
        yield reason("audit_spacing_unknown", n=unknown.height, audit_id=unknown["audit_id"][0])


def _impossible(rows: pl.DataFrame) -> Iterator[Reason]:
    """Yield findings on single audits: more pieces than plants, or most of the yield lost."""
    crowded = rows.filter(
        pl.col("pieces_per_plant") > MAX_PIECES_PER_PLANT,
        pl.col("pieces") - pl.col("plants") > MIN_EXCESS_PIECES,
    ).sort("pieces_per_plant", descending=True, maintain_order=True)
    if crowded.height:
        worst = crowded.row(0, named=True)
        args = {"audit_id": worst["audit_id"], "pieces": worst["pieces"], "plants": worst["plants"]}
        yield reason("audit_pieces_exceed_plants", n=crowded.height, **args)
    lost = rows.filter(pl.col("lost_share") > MAX_LOST_SHARE).sort("lost_share", descending=True, maintain_order=True)
    if lost.height:
        worst = lost.row(0, named=True)
        args = {"audit_id": worst["audit_id"], "pct": 100 * worst["lost_share"]}
        yield reason("audit_loss_exceeds_yield", n=lost.height, **args)


def _of_a_sample(rows: pl.DataFrame) -> Iterator[Reason]:
    """Yield a finding if the counts of a file seem to be of other ground than its masses, or of too little."""
    compared = rows.drop_nulls("mass_ratio")
    if compared.height >= MIN_AUDITS:
        ratio = compared.select(pl.col("mass_ratio").median()).item()
        if ratio > MAX_MASS_RATIO:
            yield reason("audit_counts_below_masses", n=compared.height, ratio=ratio)
        elif ratio < 1 / MAX_MASS_RATIO:
            yield reason("audit_counts_above_masses", n=compared.height, ratio=1 / ratio if ratio > 0 else None)
        return
    counted = rows.drop_nulls("tips_per_plant")
    if counted.height < MIN_AUDITS_WITHOUT_MASSES:
        return
    most = counted.select(pl.col("tips_per_plant").max()).item()
    if most < MIN_TIPS_PER_PLANT:
        yield reason("audit_counts_few", n=counted.height, pct=100 * most)
