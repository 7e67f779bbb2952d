"""Laboratories that sample at random, or by the looks of loads."""

import numpy as np
import polars as pl

from transforms.config.response_catalogue import DIRT

VISIT = ("machine_id", "shift_date")


def sampled(facts: pl.DataFrame, strength: float, seed: int) -> pl.DataFrame:
    """Return facts of which about half keep their dirt, the others have none.

    Args:
        facts: facts with the dirt of every load.
        strength: change of the log odds of sampling with one standard deviation of dirt within the machine's day.
        seed: of the random draw.
    """
    z = pl.col(DIRT).log()
    dirtier = facts.select(z - z.mean().over(VISIT)).to_series().to_numpy()
    chance = 1 / (1 + np.exp(-strength * dirtier / dirtier.std()))
    drawn = np.random.default_rng(seed).random(facts.height) < chance
    return facts.with_columns(pl.when(pl.Series(drawn)).then(DIRT).alias(DIRT))
