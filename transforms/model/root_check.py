"""Outcomes of a root check: topping, broken tips, damage and the roots that each was judged on."""

import polars as pl

from transforms.contracts.harvest_checks import BREAK_CLASSES, DAMAGE_CLASSES, TOPPING_CLASSES
from transforms.model.root_loss import BREAK_FRACTION

WOUND_CM2 = 8.0
"""Mean damaged area of a wound, cm2, if no season's checks show it (assumption, no source)."""
MIN_CHECKS_WITH_BOTH = 10
"""Minimum number of checks with both counts and area before the wound's area is taken from them (assumption)."""
WOUND_ROUNDING_CM2 = 0.5
"""The wound's area is rounded to this, so that one more check seldom changes the counts of the others."""


def _has_any(columns: tuple[str, ...]) -> pl.Expr:
    return pl.any_horizontal(pl.col(c).is_not_null() for c in columns)


def root_check_outcomes(checks: pl.DataFrame) -> pl.DataFrame:
    """Return the outcomes of root checks, one row per check.

    A class without a count is empty if another class of the same kind has one. The tip loss is the mean fraction of
    root mass that the breaks lose, by the power law of the root loss.

    Without counts of damage, the damaged area is used: wounds are taken as independent and of one mean area w, so
    that of n roots with an area a each n (1 - exp(-a / w)) have one. w is that of the season's checks with both.

    Args:
        checks: columns of `RootCheck`.

    Returns:
        `check_id`, and `topping_checked_count`, `under_topped_count`, `over_topped_count`, `slanting_count`;
        `tip_checked_count`, `tip_broken_count`, `tip_loss_pct`; `damage_checked_count`, `damaged_count`,
        `severely_damaged_count`, `damaged_area_cm2_per_100_roots`; `scalp_diameter_cm`, `petiole_length_cm`,
        `root_mass_kg`. The roots judged are the sum of the topping classes if stalks, clean and too deep are all
        counted, else all roots of the check; each outcome is null if it was not recorded.
    """
    checked = pl.col("checked_roots_count")
    is_classed = pl.all_horizontal(
        pl.col(c).is_not_null() for c in ("petioles_over_2_cm_count", "clean_topped_count", "over_topped_count")
    )
    classed = pl.sum_horizontal(TOPPING_CLASSES)
    has_topping, has_breaks = _has_any(TOPPING_CLASSES), _has_any(BREAK_CLASSES)
    has_damage = _has_any((*DAMAGE_CLASSES, "damaged_area_cm2_per_100_roots"))
    lost = pl.sum_horizontal(pl.col(c) * f for c, f in BREAK_FRACTION.items())
    has_slight = pl.col("slightly_damaged_count").is_not_null()
    return checks.select(
        "check_id",
        pl.when(is_classed & (classed > 0))
        .then(classed)
        .when(has_topping & ~is_classed)
        .then(checked)
        .alias("topping_checked_count"),
        pl.col("petioles_over_2_cm_count").alias("under_topped_count"),
        "over_topped_count",
        "slanting_count",
        pl.when(has_breaks).then(checked).alias("tip_checked_count"),
        pl.when(has_breaks).then(pl.sum_horizontal(BREAK_CLASSES)).alias("tip_broken_count"),
        pl.when(has_breaks).then(100 * lost / checked).alias("tip_loss_pct"),
        pl.when(has_damage).then(checked).alias("damage_checked_count"),
        pl.when(has_slight)
        .then(pl.sum_horizontal(DAMAGE_CLASSES))
        .when(pl.col("severely_damaged_count").is_null())
        .then(checked * (1 - (-_area_per_root_cm2() / _wound_cm2(checks)).exp()))
        .alias("damaged_count"),
        "severely_damaged_count",
        "damaged_area_cm2_per_100_roots",
        "scalp_diameter_cm",
        "petiole_length_cm",
        "root_mass_kg",
    )


def _area_per_root_cm2() -> pl.Expr:
    return pl.col("damaged_area_cm2_per_100_roots") / 100


def _wound_cm2(checks: pl.DataFrame) -> float:
    """Return the mean area of a wound, cm2, from the checks with counts and area, else the assumed one."""
    counted = pl.sum_horizontal(DAMAGE_CLASSES) / pl.col("checked_roots_count")
    both = checks.drop_nulls(["slightly_damaged_count", "damaged_area_cm2_per_100_roots"]).select(
        (pl.col("checked_roots_count") * _area_per_root_cm2()).alias("area"),
        # A check of damaged roots alone says that there are many wounds, not how many: 0.98 is assumed.
        (-pl.col("checked_roots_count") * (1 - counted.clip(0, 0.98)).log()).alias("wounds"),
    )
    area, wounds = float(both["area"].sum()), float(both["wounds"].sum())
    if both.height < MIN_CHECKS_WITH_BOTH or wounds == 0:
        return WOUND_CM2
    return max(round(area / wounds / WOUND_ROUNDING_CM2) * WOUND_ROUNDING_CM2, WOUND_ROUNDING_CM2)
