"""Quality checks of the demo season: roots inspected in the tank, counted by topping class and damage."""

import numpy as np
import polars as pl

from transforms.demo import topping
from transforms.demo.mechanics import Array, Ground

CHECKED_ROOTS = 50
CHECKS_A_VISIT = 2
LONGEST_VISIT_BINS = 60
"""A visit with fewer 30 s bins of work is not checked."""
SLANTING_SHARE, SHORT_STALK_SHARE, SEVERE_SHARE = 0.04, 0.35, 0.2
"""Share of slanting cuts; share of short stalks among roots topped rightly; share of severe damage among
damaged roots (all invented)."""


def check_roots(
    rng: np.random.Generator, bins: pl.DataFrame, settings: dict[str, Array], ground: Ground
) -> pl.DataFrame:
    """Return quality checks: two of each long visit, at random minutes, with true shares and counts of 50 roots.

    Args:
        rng: a random generator of their own, so that other data do not depend on them.
        bins: the true bins, n of them.
        settings: the true settings of each bin, shape (n,).
        ground: the conditions of each bin.
    """
    shares = {
        "under": topping.under_topped_share(settings, ground),
        "over": topping.over_topped_share(settings, ground),
        "damaged": topping.damaged_share(settings, ground),
    }
    table = bins.with_columns(pl.Series(name, share) for name, share in shares.items())
    groups = table.partition_by("machine", "day", "field_index", maintain_order=True)
    long_visits = [g for g in groups if g.height >= LONGEST_VISIT_BINS] or [max(groups, key=len)]
    rows = [row for group in long_visits for row in _checks_of(rng, group, ground)]
    return pl.DataFrame(rows).sort("checked_s", "machine").with_row_index("n", offset=1)


def _checks_of(rng: np.random.Generator, group: pl.DataFrame, ground: Ground) -> list[dict[str, object]]:
    """Return the checks of one machine on one day in one field."""
    rows: list[dict[str, object]] = []
    for i in np.sort(rng.choice(group.height, size=min(CHECKS_A_VISIT, group.height), replace=False)):
        spot = group.row(int(i), named=True)
        rest = max(1 - spot["under"] - spot["over"] - SLANTING_SHARE, 0.0)
        shares = [spot["under"], rest * SHORT_STALK_SHARE, rest * (1 - SHORT_STALK_SHARE), spot["over"], SLANTING_SHARE]
        under, short, clean, over, slanting = rng.multinomial(CHECKED_ROOTS, np.array(shares) / sum(shares)).tolist()
        damaged = int(rng.binomial(CHECKED_ROOTS, spot["damaged"]))
        severe = int(rng.binomial(damaged, SEVERE_SHARE))
        rows.append(
            {
                "machine": spot["machine"],
                "field_index": spot["field_index"],
                "checked_s": spot["bin_s"] + 15.0,
                "checked_roots_count": CHECKED_ROOTS,
                "petioles_over_2_cm_count": under,
                "petioles_up_to_2_cm_count": short,
                "clean_topped_count": clean,
                "over_topped_count": over,
                "slanting_count": slanting,
                "slightly_damaged_count": damaged - severe,
                "severely_damaged_count": severe,
                "root_mass_kg": float(ground.root_kg[spot["bin"]]),
                **{f"true_{name}_share": spot[name] for name in ("under", "over", "damaged")},
            }
        )
    return rows
