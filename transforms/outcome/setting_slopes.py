"""Saving measured per unit promised of each setting: a promise may be right for one setting and wrong for another.

    y_i = a + sum_j b_j p_ij + c'x_i + e_i                                                                     (31a)

with y the saving measured in a unit, p_ij the promise of the move of setting j times the share made, and x the
covariates of the contrast.
"""

from dataclasses import replace
from functools import partial

import numpy as np
import polars as pl

from transforms.contracts.result_tables import schema_of
from transforms.outcome.doubly_robust import jackknife
from transforms.outcome.realised import MADE_FROM, PROMISE, coefficient, comparison_units, is_enough, slope_verdict

UNIT = ["machine_id", "shift_date"]
PART = "setting_slope"


def setting_slopes(moves: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Return rows of `advice_calibration`: the slope of each setting by (31a), with machines left out one at a time.

    A setting has a slope if its move was made in enough shifts and not made in enough others.

    Args:
        moves: moves whose uptake is known, as for `shift_units`, with `setting`.
        units: rows of `realised_shift`.
    """
    priced = moves.join(units.select(*UNIT, "soil_cost_per_t"), on=UNIT, how="inner", maintain_order="left")
    promises = priced.select(*UNIT, "setting", PROMISE.alias("promise"), pl.col("made_share") >= MADE_FROM)
    promises = promises.rename({"made_share": "is_made"})
    groups = promises.sort("setting", *UNIT).group_by("setting", maintain_order=True)
    judged = {str(name): own for (name,), own in groups if is_enough(own)}
    if not judged:
        return pl.DataFrame(schema=schema_of("advice_calibration"))
    columns = [
        units.select(UNIT).join(own, on=UNIT, how="left", maintain_order="left")["promise"].fill_null(0.0).to_numpy()
        for own in judged.values()
    ]
    both = comparison_units(units, "saved_per_t")
    with_promises = replace(both, covariates=np.column_stack([*columns, both.covariates]))
    rows = []
    for at, (name, own) in enumerate(judged.items(), 1):
        found = jackknife(with_promises, partial(coefficient, at=at))
        code = slope_verdict(found)
        ends = {"value": found.value, "lo95": found.lo95, "hi95": found.hi95}
        rows.append({"part": PART, "setting": name, **ends, "verdict_code": code, "n": own.height})
    return pl.DataFrame(rows, schema=schema_of("advice_calibration"))
