"""Root loss in t/ha, with its sampling interval, from the broken and whole roots of a dig-behind plot."""

import numpy as np
import polars as pl

BREAK_FRACTION_AT_3_CM, BREAK_FRACTION_AT_6_CM = 0.03, 0.11
"""Fraction of root mass lost at a break of 3 cm and of 6 cm (assumption; a cone 12 cm wide loses 1.6 and 12.5 %)."""
POWER = float(np.log(BREAK_FRACTION_AT_6_CM / BREAK_FRACTION_AT_3_CM) / np.log(2.0))
"""Exponent of the power law through the two assumed points."""
CLASS_DIAMETER_CM = {
    "broken_2_4_cm_count": 3.0,
    "broken_4_6_cm_count": 5.0,
    "broken_6_8_cm_count": 7.0,
    "broken_over_8_cm_count": 9.0,
}
"""Midpoint of each break-diameter class; the classes are those of the international harvester test (from memory)."""
WHOLE_ROOT_FRACTION = 0.6
"""Mass of a whole lost root relative to the mean root: small roots fall through (common practice, no source)."""


def break_loss_fraction(diameter_cm: float) -> float:
    """Return the fraction of a root's mass lost at a break, by the power law through the two assumed points.

    >>> round(break_loss_fraction(3.0), 3)
    0.03
    """
    return float(BREAK_FRACTION_AT_3_CM * (diameter_cm / 3.0) ** POWER)


def root_loss(audits: pl.DataFrame) -> pl.DataFrame:
    """Add `root_loss_t_ha`, `root_loss_lo95`, `root_loss_hi95` and `root_loss_log_var` to audits.

    Counts are assumed to be Poisson, so the variance of the mass is the sum of count x (mass each)^2. An empty class
    adds half a piece to the variance, because a piece might have been missed by chance. The interval is on the log
    scale.
    """
    kg_each = {c: break_loss_fraction(d) * pl.col("root_mass_kg") for c, d in CLASS_DIAMETER_CM.items()}
    kg_each["whole_roots_count"] = WHOLE_ROOT_FRACTION * pl.col("root_mass_kg")
    mass = pl.sum_horizontal(pl.col(c) * kg for c, kg in kg_each.items())
    variance = pl.sum_horizontal(pl.max_horizontal(pl.col(c), pl.lit(0.5)) * kg**2 for c, kg in kg_each.items())
    floor = 0.25 * pl.col("root_mass_kg") * break_loss_fraction(3.0)
    t_ha = mass / 1000 / (pl.col("plot_m2") / 10_000)
    log_var = variance / pl.max_horizontal(mass, floor) ** 2
    half = 1.96 * log_var.sqrt()
    return audits.with_columns(
        t_ha.alias("root_loss_t_ha"),
        (t_ha * (-half).exp()).alias("root_loss_lo95"),
        (t_ha * half.exp()).alias("root_loss_hi95"),
        log_var.alias("root_loss_log_var"),
    )
