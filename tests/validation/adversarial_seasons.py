"""Invented seasons that break an assumption of the fit, one at a time.

Each function changes an ordinary season (`fit_seasons.py`): its facts as the fit sees them, and the
true effects if settings truly move otherwise.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl

from tests.validation.fit_seasons import MECHANICS, USUAL, FitSeason
from tests.validation.sampling import sampled
from transforms.arrays import Array
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.demo.mechanics import Ground
from transforms.demo.operators import REACTION
from transforms.model.response_scale import pct_from_scale, ratio_scale

Change = Callable[[FitSeason, Catalogue, np.random.Generator], FitSeason]
VISIT = ["machine_id", "shift_date"]
HIDDEN_SD, HIDDEN_STAY = 0.12, 0.8
"""Hidden dirt within visits: standard deviation on the log scale, and correlation from a load to the next."""
GROSS_SHARE, GROSS_LOG = 0.03, (0.7, 1.6)
PLANTED, PAIR_EFFECT = (("cleaner_1_speed_rpm", "separator_1_height_mm"), ("share_depth_cm", "share_drive_pct")), 0.04


def log_dirt(season: FitSeason, settings: dict[str, Array]) -> Array:
    """Return the log of the mechanics' dirt of each load at other settings, shape (n,), without what no log holds."""
    facts = season.facts
    crop = facts["yield_t_ha"].to_numpy()
    wet, clay = facts["topsoil_wetness"].to_numpy(), facts["clay_pct"].to_numpy() / 100
    ground = Ground(wet, clay, crop, np.clip(crop / 95, 0.4, 1.2), np.zeros(crop.size))
    return np.log(MECHANICS[season.mechanic](settings, ground))


def settings_of(facts: pl.DataFrame) -> dict[str, Array]:
    """Return the settings of each load."""
    return {name: facts[name].to_numpy() for name in USUAL}


def with_values(season: FitSeason, settings: dict[str, Array], added: Array) -> FitSeason:
    """Return a season whose facts show other settings, and `added` to the log of dirt over clean."""
    z = ratio_scale(season.facts[DIRT].to_numpy()) + added
    shown = [*(pl.Series(k, v) for k, v in settings.items()), pl.Series(DIRT, pct_from_scale(z))]
    return replace(season, facts=season.facts.with_columns(*shown))


def moved(season: FitSeason, settings: dict[str, Array], added: Array, catalogue: Catalogue) -> FitSeason:
    """Return a season whose settings truly were others, with the dirt that these make plus `added` on the log scale."""
    change = log_dirt(season, settings) - log_dirt(season, settings_of(season.facts))
    effect = {}
    for name in USUAL:
        up, down = ({**settings, name: settings[name] + sign * catalogue[name].step} for sign in (1, -1))
        effect[name] = (log_dirt(season, up) - log_dirt(season, down)) / 2
    return replace(with_values(season, settings, change + added), effect=effect)


def hidden_within(facts: pl.DataFrame, rng: np.random.Generator) -> Array:
    """Return dirt that no log holds and that varies from load to load of a machine's day, shape (n,)."""
    out, before = np.empty(facts.height), None
    for i, key in enumerate(facts.select(*VISIT).iter_rows()):
        fresh = rng.normal(0, HIDDEN_SD)
        out[i] = fresh if key != before else HIDDEN_STAY * out[i - 1] + np.sqrt(1 - HIDDEN_STAY**2) * fresh
        before = key
    return out


def reacting(strength: float) -> Change:
    """Return a season whose operators react to hidden dirt within a visit, `strength` times as between visits."""

    def change(season: FitSeason, catalogue: Catalogue, rng: np.random.Generator) -> FitSeason:
        hidden = hidden_within(season.facts, rng)
        settings = settings_of(season.facts)
        for name in USUAL:
            steps = strength * REACTION.get(name, (0.0, 0.0, 0.0))[2] * hidden
            settings[name] = np.maximum(settings[name] + catalogue[name].step * steps, 0.1 * settings[name])
        return moved(season, settings, hidden, catalogue)

    return change


def rare_movers(season: FitSeason, catalogue: Catalogue, _: np.random.Generator) -> FitSeason:
    """Return a season whose operators move settings by a third as much within a visit: about 0.3 steps."""
    facts = season.facts
    means = facts.select(pl.col(name).mean().over(*VISIT, "field_id") for name in USUAL)
    settings = {n: means[n].to_numpy() + (facts[n] - means[n]).to_numpy() / 3 for n in USUAL}
    return moved(season, settings, np.zeros(facts.height), catalogue)


def sampled_by_looks(season: FitSeason, _: Catalogue, rng: np.random.Generator) -> FitSeason:
    """Return a season whose laboratory samples half of the loads, the dirtier ones of a machine's day more often."""
    return replace(season, facts=sampled(season.facts, 0.7, int(rng.integers(1 << 30))))


def noisy_sensors(season: FitSeason, catalogue: Catalogue, rng: np.random.Generator) -> FitSeason:
    """Return a season whose sensors are off by half a step, independently for each load."""
    noise = {n: season.facts[n].to_numpy() + rng.normal(0, 0.5 * catalogue[n].step, season.facts.height) for n in USUAL}
    return with_values(season, noise, np.zeros(season.facts.height))


def wrong_gain(season: FitSeason, _: Catalogue, rng: np.random.Generator) -> FitSeason:
    """Return a season whose sensors show up to 20 % too much or too little, by machine and sensor."""
    machine = season.facts["machine_id"].rank("dense").to_numpy() - 1
    shown = {n: season.facts[n].to_numpy() * rng.uniform(0.8, 1.2, machine.max() + 1)[machine] for n in USUAL}
    return with_values(season, shown, np.zeros(machine.size))


def rounded(season: FitSeason, _: Catalogue, __: np.random.Generator) -> FitSeason:
    """Return a season whose laboratory rounds to whole percent and states nothing below 2 %."""
    return replace(season, facts=season.facts.with_columns(pl.col(DIRT).round().clip(2.0)))


def gross_errors(season: FitSeason, _: Catalogue, rng: np.random.Generator) -> FitSeason:
    """Return a season of which 3 % of the loads have a grossly wrong dirt tare."""
    n = season.facts.height
    wrong = rng.random(n) < GROSS_SHARE
    size = rng.choice([-1.0, 1.0], n) * rng.uniform(*GROSS_LOG, n)
    return with_values(season, {}, wrong * size)


def strong_pairs(season: FitSeason, catalogue: Catalogue, _: np.random.Generator) -> FitSeason:
    """Return a season in which two pairs of settings interact."""
    added, effect = np.zeros(season.facts.height), dict(season.effect)
    for one, other in PLANTED:
        x, y = ((season.facts[n].to_numpy() - season.facts[n].mean()) / catalogue[n].step for n in (one, other))
        added += PAIR_EFFECT * x * y
        effect[one], effect[other] = effect[one] + PAIR_EFFECT * y, effect[other] + PAIR_EFFECT * x
    return replace(with_values(season, {}, added), effect=effect)


def ordinary(season: FitSeason, _: Catalogue, __: np.random.Generator) -> FitSeason:
    """Return the season as it is."""
    return season


SEASONS: dict[str, Change] = {
    "ordinary": ordinary,
    "hidden dirt within visits, reaction 30 %": reacting(0.3),
    "hidden dirt within visits, full reaction": reacting(1.0),
    "rare movers": rare_movers,
    "dirtier loads sampled more": sampled_by_looks,
    "sensor noise of half a step": noisy_sensors,
    "sensor gain off by up to 20 % by machine": wrong_gain,
    "rounded to 1 %, floor of 2 %": rounded,
    "3 % gross errors": gross_errors,
    "two strong pairs": strong_pairs,
}
"""Weakness -> the season that has it."""
