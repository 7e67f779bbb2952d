"""Effects of fitted parts by the days of part trials: they take the place of comparisons between days as they came.

The pairs of all trials of the same two parts count together, whatever the machine. If all of these trials are complete,
the interval is that of the fixed test; if one was stopped early on its evidence, it is the one that may be looked at
after any pair. A trial that is neither complete nor may stop changes nothing yet. In a wetness class, pairs count whose
days both had its topsoil; on all days, those of trials that were not limited to a class.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.config.response_catalogue import DIRT
from transforms.contracts.classes import WETNESS_CLASSES
from transforms.contracts.reason import reason
from transforms.model.fitted_parts import PART_SCHEMA, PLACES
from transforms.trial.anytime import ENDED, MAY_STOP, anytime_interval
from transforms.trial.part_reading import usual_class
from transforms.trial.power import MIN_PAIRS
from transforms.trial.randomisation import interval, signs

KEY = ["response", "place", "part", "compared_with", "wetness_class"]
PLACE_OF = {column: place for place, column in PLACES.items()}


@dataclass(frozen=True)
class _Pairs:
    """Pairs of days of trials of the same two parts.

    Attributes:
        rows: `machine_id, loads, difference, day_class, trial_class`; the difference of z is that of the part that
            comes first by name less the other, and `day_class` is null if the two days differ in it.
        is_complete: True if all trials are complete.
    """

    rows: pl.DataFrame
    is_complete: bool

    def of_class(self, wetness_class: str | None) -> pl.DataFrame:
        """Return the pairs of a class; None for all days."""
        if wetness_class is None:
            return self.rows.filter(pl.col("trial_class").is_null())
        return self.rows.filter(day_class=wetness_class)


def part_effects_by_lot(results: pl.DataFrame, trial_loads: pl.DataFrame, z: pl.DataFrame) -> pl.DataFrame:
    """Return rows of `part_effect` by the pairs of days of part trials that are complete or may stop.

    Args:
        results: `trial_result`.
        trial_loads: `trial_load`.
        z: `load_id, machine_id, wetness_class, z`: dirt of loads given their conditions, log scale.
    """
    over = pl.col("stop_code").is_in([ENDED.code, MAY_STOP.code])
    read = results.filter(pl.col("part_a").is_not_null(), pl.col("response") == DIRT, over)
    trials = read.select(
        "trial_id",
        pl.col("setting").replace_strict(PLACE_OF, return_dtype=pl.String).alias("place"),
        pl.min_horizontal("part_a", "part_b").alias("part"),
        pl.max_horizontal("part_a", "part_b").alias("compared_with"),
        (pl.col("part_b") < pl.col("part_a")).alias("is_first_on_trial"),
        pl.col("wetness_class").alias("trial_class"),
        (pl.col("stop_code") == ENDED.code).alias("is_complete"),
    )
    rows = []
    for key, own in trials.sort("trial_id").group_by("place", "part", "compared_with", maintain_order=True):
        pairs = _Pairs(_pairs(own, trial_loads, z), bool(own["is_complete"].all()))
        head = {"response": DIRT, **dict(zip(("place", "part", "compared_with"), key, strict=True))}
        rows += [{**head, **row} for row in _effects(pairs)]
    return pl.DataFrame(rows, schema=PART_SCHEMA)


def _pairs(trials: pl.DataFrame, trial_loads: pl.DataFrame, z: pl.DataFrame) -> pl.DataFrame:
    """Return the complete pairs of trials as rows of `_Pairs`."""
    loads = trial_loads.join(trials, on="trial_id").join(z, on="load_id").drop_nulls("z")
    days = loads.group_by("trial_block", "arm", maintain_order=True).agg(
        pl.col("z").mean(), pl.len().alias("loads"), usual_class().alias("day_class")
    )
    of_trial = ("machine_id", "trial_class", "is_first_on_trial")
    blocks = loads.group_by("trial_block", maintain_order=True).agg(pl.col(of_trial).first())
    both = days.filter(arm="B").join(days.filter(arm="A"), on="trial_block", suffix="_a", maintain_order="left")
    sign = pl.when("is_first_on_trial").then(1.0).otherwise(-1.0)
    return both.join(blocks, on="trial_block", maintain_order="left").select(
        "machine_id",
        (pl.col("loads") + pl.col("loads_a")).alias("loads"),
        (sign * (pl.col("z") - pl.col("z_a"))).alias("difference"),
        pl.when(pl.col("day_class") == pl.col("day_class_a")).then("day_class").alias("day_class"),
        "trial_class",
    )


def _effects(pairs: _Pairs) -> Iterator[dict[str, object]]:
    """Yield the effect on all days and in each class that has enough pairs."""
    for wetness_class in (None, *WETNESS_CLASSES):
        own = pairs.of_class(wetness_class)
        if own.height < MIN_PAIRS:
            continue
        d = own["difference"].to_numpy()
        ends = interval(d, signs(d.size)) if pairs.is_complete else anytime_interval(d)
        if not np.isfinite(ends).all():
            continue
        change, low, high = (100 * float(np.expm1(v)) for v in (d.mean(), *ends))
        yield {
            "wetness_class": wetness_class,
            "change_pct": change,
            "lo95": low,
            "hi95": high,
            "machines": own["machine_id"].n_unique(),
            "n": int(own["loads"].sum()),
            "pairs": d.size,
            **reason("part_by_lot", pairs=d.size).columns,
        }


def replace_by_lot(effects: pl.DataFrame, by_lot: pl.DataFrame) -> pl.DataFrame:
    """Return the effects of parts with those by lot in place of comparisons of the same parts on the same days.

    Args:
        effects: rows of `part_effect`.
        by_lot: result of `part_effects_by_lot`.
    """
    others = effects.join(by_lot, on=KEY, how="anti", nulls_equal=True, maintain_order="left")
    return pl.concat([others, by_lot.select(others.columns)])
