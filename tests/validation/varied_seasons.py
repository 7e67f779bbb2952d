"""Invented seasons in which two settings of each machine and day are moved by lot between pairs of loads."""

from dataclasses import replace

import numpy as np
import polars as pl

from tests.validation.adversarial_seasons import VISIT, log_dirt, moved, settings_of
from tests.validation.fit_seasons import USUAL, FitSeason
from transforms.arrays import Array
from transforms.config.settings_catalogue import Catalogue

SETTINGS_A_DAY = 2


def varied(
    season: FitSeason,
    catalogue: Catalogue,
    rng: np.random.Generator,
    names: tuple[str, ...] = tuple(USUAL),
    every: int = 1,
) -> tuple[FitSeason, Array]:
    """Return the season with designed variation, and what it costs: the change of log dirt of each load, shape (n,).

    Two settings of a machine and day, every setting equally often, are one step below or above the mean of the day: one
    load of a pair this way, the other that way, by lot. Operators move all other settings as before.

    Args:
        season: the season.
        catalogue: the settings known.
        rng: random generator of the lot.
        names: settings that are varied, at least two.
        every: settings are varied on each day of this number of days.
    """
    facts = season.facts.with_row_index("at")
    settings = {n: v.copy() for n, v in settings_of(season.facts).items()}
    middle = facts.select(pl.col(n).mean().over(*VISIT, "field_id") for n in names)
    chosen = np.full(facts.height, None, dtype=object)
    deck: list[str] = []
    plain = {n: v.copy() for n, v in settings.items()}
    first = facts["shift_date"].min()
    in_plan = facts.filter((pl.col("shift_date") - first).dt.total_days() % every == 0)
    for _, own in in_plan.group_by(*VISIT, "field_id", maintain_order=True):
        rows = own["at"].to_numpy()
        if len(deck) < SETTINGS_A_DAY:
            deck = [*deck, *rng.permutation(names).tolist()]
        picked = list(dict.fromkeys(deck))[:SETTINGS_A_DAY]
        for name in picked:
            deck.remove(name)
        pairs = rows[: rows.size // 2 * 2].reshape(-1, 2)
        for name in picked:
            sign = rng.choice([-1.0, 1.0], len(pairs))
            base = middle[name].to_numpy()[pairs]
            settings[name][pairs] = base + catalogue[name].step * np.column_stack([sign, -sign])
            plain[name][pairs] = base
        chosen[pairs] = "|".join(sorted(picked))
    cost = log_dirt(season, settings) - log_dirt(season, plain)
    out = moved(season, settings, np.zeros(facts.height), catalogue)
    return replace(out, facts=out.facts.with_columns(pl.Series("varied_settings", chosen.tolist(), pl.String))), cost
