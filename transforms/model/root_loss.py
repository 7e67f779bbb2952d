"""Root loss in t/ha, with its sampling interval, from a dig-behind audit of any shape.

An audit counts or weighs the broken tips and whole roots of a plot, or states the loss. The plot and the counts are
resolved in `audit_plot`; here they become masses, losses and their uncertainty.
"""

import numpy as np
import polars as pl

from transforms.contracts.harvest_checks import BREAK_CLASSES
from transforms.model.audit_plot import ASSUMED_PLOT_M2, CLASS_MIX, resolve_plot, sum_known, with_inputs

BREAK_FRACTION_AT_3_CM, BREAK_FRACTION_AT_6_CM = 0.03, 0.11
"""Fraction of root mass lost at a break of 3 cm and of 6 cm (assumption; a cone 12 cm wide loses 1.6 and 12.5 %)."""
POWER = float(np.log(BREAK_FRACTION_AT_6_CM / BREAK_FRACTION_AT_3_CM) / np.log(2.0))
"""Exponent of the power law through the two assumed points."""
CLASS_DIAMETER_CM = dict(zip(BREAK_CLASSES, (3.0, 5.0, 7.0, 9.0), strict=True))
"""Midpoint of each break-diameter class; the classes are those of the international harvester test (from memory)."""
WHOLE_ROOT_FRACTION = 0.6
"""Mass of a whole lost root relative to the mean root: small roots fall through (common practice, no source)."""
TIP_SHARE = 0.74
"""Share of tips in the root loss: 1.7 of 2.3 t/ha in a Dutch survey of 150 fields, 2006 and 2008."""


def break_loss_fraction(diameter_cm: float) -> float:
    """Return the fraction of a root's mass lost at a break, by the power law through the two assumed points.

    >>> round(break_loss_fraction(3.0), 3)
    0.03
    """
    return float(BREAK_FRACTION_AT_3_CM * (diameter_cm / 3.0) ** POWER)


BREAK_FRACTION = {c: break_loss_fraction(d) for c, d in CLASS_DIAMETER_CM.items()}
"""Fraction of root mass lost at a break, for each class."""
MIX_FRACTION = sum(p * BREAK_FRACTION[c] for c, p in CLASS_MIX.items())
MIX_SQUARE = sum(p * BREAK_FRACTION[c] ** 2 for c, p in CLASS_MIX.items())
"""Mean and mean square of the fraction lost at a break of unknown diameter."""


def counted_tips_kg() -> pl.Expr:
    """Return the mass of the counted broken tips, kg, from the columns of `resolve_plot`; null if not counted."""
    return sum_known([pl.col(c) * f * pl.col("root_kg") for c, f in BREAK_FRACTION.items()])


def root_loss(audits: pl.DataFrame) -> pl.DataFrame:
    """Add the losses of audits of any shape, with their interval and the mean mass of a lost piece.

    Weighed masses come before counts, and counts before stated losses. A part that is neither measured nor stated is
    the total less the other part; without a total it is null, and so is the root loss.

    Counts are assumed to be Poisson, so the variance of the mass is the sum of count x (mass each)^2. An empty class
    adds half a piece to the variance, because a piece might have been missed by chance. The interval is on the log
    scale. For any shape, the variance of a loss in t/ha is near 10 x loss x (mean mass of a piece) / plot, and for
    weighed and stated losses it is taken from that.

    Args:
        audits: columns of `LossAudit`, any of the nullable ones, and those that `resolve_plot` needs.

    Returns:
        The audits with `tip_loss_t_ha`, `whole_root_loss_t_ha`, `root_loss_t_ha`; `tip_loss_mass_each_kg`,
        `whole_root_mass_each_kg`, kg; `plot_m2`, the area that the losses refer to; `root_loss_lo95`,
        `root_loss_hi95`, t/ha, and `root_loss_log_var`.
    """
    found = _with_masses(with_inputs(audits))
    t_ha = 10 / pl.col("area_m2")
    losses = found.select(
        pl.col("area_m2").alias("plot_m2"),
        (pl.col("tips_kg") * t_ha).alias("tip_loss_t_ha"),
        (pl.col("wholes_kg") * t_ha).alias("whole_root_loss_t_ha"),
        (pl.col("all_kg") * t_ha).alias("root_loss_t_ha"),
        pl.when(pl.col("tips_kg").is_not_null()).then("tip_each_kg").alias("tip_loss_mass_each_kg"),
        pl.when(pl.col("wholes_kg").is_not_null()).then("whole_each_kg").alias("whole_root_mass_each_kg"),
        _log_variance().alias("root_loss_log_var"),
    )
    loss, half = pl.col("root_loss_t_ha"), 1.96 * pl.col("root_loss_log_var").sqrt()
    losses = losses.with_columns(
        (loss * (-half).exp()).alias("root_loss_lo95"), (loss * half.exp()).alias("root_loss_hi95")
    )
    return audits.with_columns(losses.get_columns())


def _with_masses(audits: pl.DataFrame) -> pl.DataFrame:
    """Return `area_m2`, `root_kg`, the masses lost on the plot and the mean mass of a piece, kg, and `tips_var`."""
    stated = {c: audits[c].alias(f"stated_{c}") for c in ("tip_loss_t_ha", "whole_root_loss_t_ha", "root_loss_t_ha")}
    weighed = audits.select("broken_mass_kg", "whole_mass_kg", "lost_mass_kg", "whole_root_mass_kg")
    plot = resolve_plot(audits).hstack(weighed).hstack(list(stated.values()))
    has_plot, area = pl.col("area_m2").is_not_null(), pl.coalesce("area_m2", pl.lit(ASSUMED_PLOT_M2))
    counts = [(pl.col(c), f * pl.col("root_kg")) for c, f in BREAK_FRACTION.items()]
    first, second = (sum_known([n * kg**k for n, kg in counts]).fill_null(0) for k in (1, 2))
    each = (second + MIX_SQUARE * pl.col("root_kg") ** 2) / (first + MIX_FRACTION * pl.col("root_kg"))
    plot = plot.with_columns(
        each.alias("tip_each_kg"),
        pl.coalesce("whole_root_mass_kg", WHOLE_ROOT_FRACTION * pl.col("root_kg")).alias("whole_each_kg"),
        pl.when(has_plot).then(counted_tips_kg()).alias("counted_kg"),
        pl.when(has_plot, pl.col("broken_mass_kg").is_null())
        .then(sum_known([n.clip(0.5) * kg**2 for n, kg in counts]))
        .alias("tips_var"),
        area.alias("area_m2"),
        *(pl.when(has_plot).then(c).alias(c) for c in ("broken_mass_kg", "whole_mass_kg", "lost_mass_kg")),
        pl.when(has_plot).then("whole_roots_count").alias("whole_roots_count"),
        *(pl.col(f"stated_{c}") * area / 10 for c in stated),
    )
    counted_whole_kg = pl.col("whole_roots_count") * pl.col("whole_each_kg")
    total = pl.coalesce("lost_mass_kg", "stated_root_loss_t_ha")
    tips = pl.coalesce("broken_mass_kg", "counted_kg", "stated_tip_loss_t_ha")
    wholes = pl.coalesce("whole_mass_kg", counted_whole_kg, "stated_whole_root_loss_t_ha")
    return plot.with_columns(
        pl.coalesce(tips, (total - wholes).clip(0)).alias("tips_kg"),
        pl.coalesce(wholes, (total - tips).clip(0)).alias("wholes_kg"),
        pl.coalesce(tips + wholes, total).alias("all_kg"),
    )


def _log_variance() -> pl.Expr:
    """Return the variance of the logarithm of the root loss; null if the loss is unknown."""

    def variance(kg: pl.Expr, each: pl.Expr) -> pl.Expr:
        return pl.max_horizontal(kg, each / 2) * each

    tip_each, whole_each = pl.col("tip_each_kg"), pl.col("whole_each_kg")
    by_parts = pl.coalesce("tips_var", variance(pl.col("tips_kg"), tip_each)) + variance(
        pl.col("wholes_kg"), whole_each
    )
    by_total = variance(pl.col("all_kg"), TIP_SHARE * tip_each + (1 - TIP_SHARE) * whole_each)
    has_parts = pl.col("tips_kg").is_not_null() & pl.col("wholes_kg").is_not_null()
    floor = 0.25 * pl.col("root_kg") * BREAK_FRACTION_AT_3_CM
    var = pl.when(has_parts).then(by_parts).when(pl.col("all_kg").is_not_null()).then(by_total)
    return var / pl.max_horizontal("all_kg", floor) ** 2
