"""Schemas of checks of the harvest: dig-behind audits of a plot, and root checks of lifted roots.

People record either in many shapes, so most columns may be empty; the rules say which combinations suffice.
`transforms/model/audit_plot.py` and `transforms/model/root_check.py` compute the same results from all of them.
"""

import dataframely as dy
import polars as pl

from transforms.contracts.times import moment

BREAK_CLASSES = ("broken_2_4_cm_count", "broken_4_6_cm_count", "broken_6_8_cm_count", "broken_over_8_cm_count")
"""Counts of broken tips by the diameter of the break."""
AUDIT_PIECES = (
    *BREAK_CLASSES,
    "broken_count",
    "broken_mass_kg",
    "whole_roots_count",
    "whole_mass_kg",
    "lost_mass_kg",
)
"""Counts and masses of an audit, which refer to its plot."""
AUDIT_LOSSES = ("tip_loss_t_ha", "whole_root_loss_t_ha", "root_loss_t_ha")
"""Losses that an audit states itself."""
TOPPING_CLASSES = (
    "petioles_over_2_cm_count",
    "petioles_up_to_2_cm_count",
    "clean_topped_count",
    "over_topped_count",
    "slanting_count",
)
"""Counts of roots by the quality of topping: stalks over 2 cm, stalks up to 2 cm, clean, too deep, slanting."""
DAMAGE_CLASSES = ("slightly_damaged_count", "severely_damaged_count")
CHECK_RESULTS = (
    *TOPPING_CLASSES,
    "scalp_diameter_cm",
    "petiole_length_cm",
    *BREAK_CLASSES,
    "damaged_area_cm2_per_100_roots",
    *DAMAGE_CLASSES,
    "root_mass_kg",
)
CHECK_LINKS = ("load_id", "machine_id", "field_id")
PLACES = ("tank", "pile", "yard")
Alternatives = tuple[tuple[str, ...], ...]
"""Sets of columns of which one set must be there whole."""
CHECKS_NEED: dict[str, tuple[Alternatives, ...]] = {
    "loss_audit": (tuple((c,) for c in (*AUDIT_PIECES, *AUDIT_LOSSES)),),
    "root_check": (tuple((c,) for c in CHECK_LINKS), tuple((c,) for c in CHECK_RESULTS)),
}
"""Kind of file -> groups of alternatives; a mapping must define one column of each group."""
ROUNDING_T_HA = 0.1
"""By this much the parts of a stated loss may exceed their sum, because people round them."""


def _any_of(columns: tuple[str, ...]) -> pl.Expr:
    return pl.any_horizontal(pl.col(c).is_not_null() for c in columns)


def _sum_within(columns: tuple[str, ...], total: str, tolerance: float = 0.0) -> pl.Expr:
    """Return True if the known values sum to at most the total, or the total is unknown."""
    return pl.col(total).is_null() | (pl.sum_horizontal(columns) <= pl.col(total) + tolerance)


class LossAudit(dy.Schema):
    """Dig-behind audit: broken and whole roots left in the soil of a plot behind the machine.

    The plot is an area, rows of a length, or the places of a number of roots. `broken_count` is the number of all
    broken tips, whatever their diameter; `lost_mass_kg` is the mass of tips and whole roots weighed together;
    `root_mass_kg` is the mean mass of a lifted root.
    """

    audit_id = dy.String(primary_key=True, min_length=1)
    machine_id = dy.String(min_length=1)
    field_id = dy.String(min_length=1)
    audited_at = moment()
    plot_m2 = dy.Float64(nullable=True, min=1, max=2000)
    plot_length_m = dy.Float64(nullable=True, min_exclusive=0, max=1000)
    plot_rows_count = dy.Float64(nullable=True, min=1, max=24)
    row_spacing_cm = dy.Float64(nullable=True, min=20, max=100)
    sampled_roots_count = dy.Float64(nullable=True, min=1, max=5000)
    stand_plants_per_ha = dy.Float64(nullable=True, min=10_000, max=250_000)
    broken_2_4_cm_count = dy.Float64(nullable=True, min=0, max=5000)
    broken_4_6_cm_count = dy.Float64(nullable=True, min=0, max=5000)
    broken_6_8_cm_count = dy.Float64(nullable=True, min=0, max=5000)
    broken_over_8_cm_count = dy.Float64(nullable=True, min=0, max=5000)
    broken_count = dy.Float64(nullable=True, min=0, max=20_000)
    broken_mass_kg = dy.Float64(nullable=True, min=0, max=2000)
    whole_roots_count = dy.Float64(nullable=True, min=0, max=5000)
    whole_mass_kg = dy.Float64(nullable=True, min=0, max=5000)
    lost_mass_kg = dy.Float64(nullable=True, min=0, max=5000)
    whole_root_mass_kg = dy.Float64(nullable=True, min=0.02, max=4)
    root_mass_kg = dy.Float64(nullable=True, min=0.1, max=4)
    tip_loss_t_ha = dy.Float64(nullable=True, min=0, max=60)
    whole_root_loss_t_ha = dy.Float64(nullable=True, min=0, max=160)
    root_loss_t_ha = dy.Float64(nullable=True, min=0, max=160)

    @dy.rule()
    def audit_without_result(cls) -> pl.Expr:
        """An audit has a count, a mass or a loss."""
        return _any_of((*AUDIT_PIECES, *AUDIT_LOSSES))

    @dy.rule()
    def audit_without_plot(cls) -> pl.Expr:
        """Counts and masses need the plot that they refer to, unless the loss is stated too."""
        rows = pl.col("plot_length_m").is_not_null() & pl.col("plot_rows_count").is_not_null()
        has_plot = _any_of(("plot_m2", "sampled_roots_count")) | rows
        return has_plot | _any_of(AUDIT_LOSSES) | ~_any_of(AUDIT_PIECES)

    @dy.rule()
    def classes_exceed_broken(cls) -> pl.Expr:
        """Broken tips by diameter cannot be more than all broken tips."""
        return _sum_within(BREAK_CLASSES, "broken_count")

    @dy.rule()
    def parts_exceed_root_loss(cls) -> pl.Expr:
        """Lost tips and lost whole roots cannot be more than the root loss."""
        return _sum_within(("tip_loss_t_ha", "whole_root_loss_t_ha"), "root_loss_t_ha", ROUNDING_T_HA)


class RootCheck(dy.Schema):
    """Root check: 20 to 100 roots inspected in the tank, on the pile or in the yard."""

    check_id = dy.String(primary_key=True, min_length=1)
    checked_at = moment()
    load_id = dy.String(nullable=True, min_length=1)
    machine_id = dy.String(nullable=True, min_length=1)
    field_id = dy.String(nullable=True, min_length=1)
    place = dy.String(nullable=True)
    checked_roots_count = dy.Float64(min_exclusive=0, max=5000)
    petioles_over_2_cm_count = dy.Float64(nullable=True, min=0)
    petioles_up_to_2_cm_count = dy.Float64(nullable=True, min=0)
    clean_topped_count = dy.Float64(nullable=True, min=0)
    over_topped_count = dy.Float64(nullable=True, min=0)
    slanting_count = dy.Float64(nullable=True, min=0)
    scalp_diameter_cm = dy.Float64(nullable=True, min=0, max=25)
    petiole_length_cm = dy.Float64(nullable=True, min=0, max=50)
    broken_2_4_cm_count = dy.Float64(nullable=True, min=0)
    broken_4_6_cm_count = dy.Float64(nullable=True, min=0)
    broken_6_8_cm_count = dy.Float64(nullable=True, min=0)
    broken_over_8_cm_count = dy.Float64(nullable=True, min=0)
    damaged_area_cm2_per_100_roots = dy.Float64(nullable=True, min=0, max=50_000)
    slightly_damaged_count = dy.Float64(nullable=True, min=0)
    severely_damaged_count = dy.Float64(nullable=True, min=0)
    root_mass_kg = dy.Float64(nullable=True, min=0.1, max=4)

    @dy.rule()
    def check_without_result(cls) -> pl.Expr:
        """A root check has at least one measurement."""
        return _any_of(CHECK_RESULTS)

    @dy.rule()
    def check_without_link(cls) -> pl.Expr:
        """A root check names its load, machine or field."""
        return _any_of(CHECK_LINKS)

    @dy.rule()
    def place_unknown(cls) -> pl.Expr:
        """The place is one of `PLACES`."""
        return pl.col("place").is_null() | pl.col("place").is_in(PLACES)

    @dy.rule()
    def topping_exceeds_checked(cls) -> pl.Expr:
        """Each root is in one class of topping."""
        return _sum_within(TOPPING_CLASSES, "checked_roots_count")

    @dy.rule()
    def breaks_exceed_checked(cls) -> pl.Expr:
        """Each root has at most one broken tip."""
        return _sum_within(BREAK_CLASSES, "checked_roots_count")

    @dy.rule()
    def damage_exceeds_checked(cls) -> pl.Expr:
        """Each root is damaged slightly or severely."""
        return _sum_within(DAMAGE_CLASSES, "checked_roots_count")
