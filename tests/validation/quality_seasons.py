"""Invented seasons of loads, dig-behind audits and root checks, with the true effect of every setting on every row.

Operators set their machines by wetness, clay and by a factor on losses, leaf and damage that no log holds; on top they
try things, every hour or so.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.validation.fit_seasons import facts_of, machine_days
from tests.validation.quality_mechanics import QUALITY_MECHANICS, WHOLE_ROOT_MASS, Law, QualityMechanic, Settings
from transforms.arrays import Array
from transforms.config.response_catalogue import (
    DAMAGED,
    DIRT,
    OVER_TOPPED,
    RESPONSES,
    ROOT_LOSS,
    TIP_LOSS,
    TOPS,
    UNDER_TOPPED,
    WHOLE_ROOT_LOSS,
)
from transforms.config.settings_catalogue import Catalogue
from transforms.demo.lab import BREAK_CLASSES
from transforms.demo.mechanics import Ground
from transforms.model.response_scale import SMALL_LOSS_T_HA, ratio_scale
from transforms.model.root_loss import break_loss_fraction, root_loss

USUAL = {
    "topper_speed_rpm": (900.0, 50.0),
    "scalper_height_mm": (30.0, 5.0),
    "share_depth_cm": (7.0, 0.6),
    "ground_speed_kmh": (6.0, 0.5),
    "intake_roller_height_mm": (40.0, 5.0),
    "cleaner_1_speed_rpm": (38.0, 4.0),
    "cleaner_2_speed_rpm": (36.0, 4.0),
    "separator_1_height_mm": (45.0, 5.0),
    "separator_2_height_mm": (45.0, 5.0),
}
REACTION = {
    "topper_speed_rpm": (0.5, 0.0, 3.0),
    "scalper_height_mm": (0.0, 0.0, -3.0),
    "share_depth_cm": (-2.5, 0.0, 3.0),
    "ground_speed_kmh": (-1.5, -2.0, -3.0),
    "intake_roller_height_mm": (0.0, 0.0, -2.0),
    "cleaner_1_speed_rpm": (4.0, 5.0, -4.0),
    "cleaner_2_speed_rpm": (4.0, 5.0, -4.0),
    "separator_1_height_mm": (2.0, 2.0, -3.0),
    "separator_2_height_mm": (2.0, 2.0, -3.0),
}
"""Setting -> practical steps by which operators react to a unit more of (wetness, clay fraction, the hidden factor)."""
AUDITS, CHECKS, PLOT_M2, CHECKED_ROOTS = 3, 2, 60.0, 50
"""Audits and root checks of each visit, and their size."""
LOSS_CV, SHARE_SD, TOPS_SD, TOPS_PCT_AT_25_KG = 0.25, 0.25, 0.09, 0.4
"""Variation between places beyond chance: of losses, log odds, log tops; laboratory error of tops, points."""


@dataclass(frozen=True)
class QualitySeason:
    """Facts of a season and, by response and setting, the true change of one step on the fitted scale, shape (loads,).

    `facts` has a table per response; `load` in it is the index into the effects.
    """

    facts: dict[str, pl.DataFrame]
    effect: dict[str, dict[str, Array]]


def _scales(mechanic: QualityMechanic) -> dict[str, Law]:
    """Return each response on its fitted scale, as a function of settings and ground."""
    return {
        ROOT_LOSS: lambda s, g: np.log(mechanic.losses(s, g) + SMALL_LOSS_T_HA),
        TIP_LOSS: lambda s, g: np.log(mechanic.tips(s, g)),
        WHOLE_ROOT_LOSS: lambda s, g: np.log(mechanic.wholes(s, g)),
        TOPS: lambda s, g: ratio_scale(mechanic.tops(s, g)),
        UNDER_TOPPED: lambda s, g: ratio_scale(100 * mechanic.under_topped(s, g)),
        OVER_TOPPED: lambda s, g: ratio_scale(100 * mechanic.over_topped(s, g)),
        DAMAGED: lambda s, g: ratio_scale(100 * mechanic.damaged(s, g)),
    }


def _settings(
    rng: np.random.Generator, visits: pl.DataFrame, loads: NDArray[np.int64], catalogue: Catalogue
) -> Settings:
    """Return each setting of each load: habit, reaction to what operators see, and hourly trying.

    Args:
        rng: the random generator of the season.
        visits: one row a machine and day.
        loads: number of loads of each visit.
        catalogue: the settings catalogue.
    """
    machine, first = visits["machine"].to_numpy(), np.repeat(np.cumsum(loads) - loads, loads)
    starts = (np.arange(loads.sum()) == first) | (rng.random(loads.sum()) < 0.35)
    tried_at = np.cumsum(starts) - 1
    wet, clay, unseen = (visits[c].to_numpy() for c in ("wet", "clay", "unseen"))
    out = {}
    for name, (mean, sd) in USUAL.items():
        a_wet, a_clay, a_hidden = REACTION[name]
        seen = a_wet * (wet - 0.5) + a_clay * (clay / 100 - 0.24) + a_hidden * unseen
        habit = rng.normal(mean, sd, machine.max() + 1)
        base = habit[machine] + catalogue[name].step * (seen + rng.normal(0, 0.6, machine.size))
        tried = rng.normal(0, 0.95, tried_at[-1] + 1)[tried_at]
        raw = np.repeat(base, loads) + catalogue[name].step * tried
        out[name] = np.clip(raw, 0.2 * mean, 3 * mean)
    return out


def _audits(rng: np.random.Generator, rows: pl.DataFrame, tips: Array, wholes: Array) -> pl.DataFrame:
    """Return dig-behind audits of rows whose true losses are given, counted with more variation than chance."""
    kg = rows["root_mass_kg"].to_numpy()
    each = sum(p * break_loss_fraction(d) for _, d, p in BREAK_CLASSES) * kg
    shape = 1 / LOSS_CV**2
    tips, wholes = (v * rng.gamma(shape, 1 / shape, v.size) * PLOT_M2 / 10 for v in (tips, wholes))
    counts = [pl.Series(f"{c}_count", rng.poisson(tips / each * p).astype(float)) for c, _, p in BREAK_CLASSES]
    whole = pl.Series("whole_roots_count", rng.poisson(wholes / (WHOLE_ROOT_MASS * kg)).astype(float))
    table = rows.with_columns(*counts, whole, plot_m2=pl.lit(PLOT_M2), audit_id="A" + pl.col("load_id"))
    return root_loss(table).drop("load_id", "sample_kg", "trace_quality", "site_id", "operator_id")


def _checks(rng: np.random.Generator, rows: pl.DataFrame, shares: dict[str, Array]) -> pl.DataFrame:
    """Return root checks of rows whose true shares of roots are given, counted with more variation than chance."""
    counts = []
    for response, share in shares.items():
        odds = share / (1 - share) * np.exp(rng.normal(0, SHARE_SD, share.size))
        found = rng.binomial(CHECKED_ROOTS, odds / (1 + odds))
        counts.append(pl.Series(RESPONSES[response].observed, found))
    sizes = {str(RESPONSES[r].size): pl.lit(CHECKED_ROOTS) for r in shares}
    return rows.with_columns(*counts, check_id="K" + pl.col("load_id"), **sizes).drop("sample_kg", "site_id")


def _of_visits(rng: np.random.Generator, visit: NDArray[np.int64], number: int) -> NDArray[np.int64]:
    """Return the indices of some loads of each visit, drawn by lot."""
    lot = rng.permutation(visit.size)
    rank = pl.DataFrame({"visit": visit[lot]}).select(pl.int_range(pl.len()).over("visit")).to_series().to_numpy()
    return np.sort(lot[rank < number])


def quality_season(seed: int, name: str, catalogue: Catalogue, machines: int = 10, days: int = 24) -> QualitySeason:
    """Return a season of one mechanic.

    Args:
        seed: seed of all draws.
        name: mechanic, a key of `QUALITY_MECHANICS`.
        catalogue: the settings catalogue.
        machines: size of the fleet.
        days: length of the season.
    """
    rng, mechanic = np.random.default_rng(seed), QUALITY_MECHANICS[name]
    visits = machine_days(rng, machines, days)
    loads = rng.integers(6, 15, visits.height)
    settings = _settings(rng, visits, loads, catalogue)
    visit = np.repeat(np.arange(visits.height), loads)
    c = {k: visits[k].to_numpy().astype(float)[visit] for k in visits.columns}
    order = np.arange(visit.size) - (np.cumsum(loads) - loads)[visit]
    wet = np.clip(c["wet"] + 0.04 - 0.08 * order / (loads[visit] - 1), 0.01, 0.99)
    spread = np.exp(rng.normal(0, 0.12, int(c["field"].max()) + 1))[c["field"].astype(int)]
    root = np.clip(c["crop"] / 95 * spread, 0.35, 1.4)
    ground = Ground(wet, c["clay"] / 100, c["crop"], root, c["unseen"])
    effect: dict[str, dict[str, Array]] = {}
    for response, law in _scales(mechanic).items():
        sides = {n: [{**settings, n: settings[n] + sign * catalogue[n].step} for sign in (1, -1)] for n in USUAL}
        effect[response] = {n: (law(up, ground) - law(down, ground)) / 2 for n, (up, down) in sides.items()}
    kg = rng.choice([25.0, 25.0, 25.0, 12.0], visit.size)
    rows = facts_of({**c, "wet": wet, "order": order}, settings, np.zeros(visit.size), kg).drop(DIRT)
    known = {"root_mass_kg": root, "load": np.arange(visit.size)}
    rows = rows.with_columns(*(pl.Series(k, v) for k, v in known.items()), root_mass_source=pl.lit("counted"))
    tops = mechanic.tops(settings, ground) * np.exp(rng.normal(0, TOPS_SD, visit.size))
    measured = np.clip(tops + rng.normal(0, TOPS_PCT_AT_25_KG, visit.size) * np.sqrt(25 / kg), 0.2, 30)
    facts = {TOPS: rows.with_columns(pl.Series(TOPS, measured.round(2)))}
    dug, seen = _of_visits(rng, visit, AUDITS), _of_visits(rng, visit, CHECKS)
    audits = _audits(rng, rows[dug], mechanic.tips(settings, ground)[dug], mechanic.wholes(settings, ground)[dug])
    laws = {UNDER_TOPPED: mechanic.under_topped, OVER_TOPPED: mechanic.over_topped, DAMAGED: mechanic.damaged}
    checks = _checks(rng, rows[seen], {r: law(settings, ground)[seen] for r, law in laws.items()})
    facts |= dict.fromkeys((ROOT_LOSS, TIP_LOSS, WHOLE_ROOT_LOSS), audits) | dict.fromkeys(laws, checks)
    return QualitySeason(facts, effect)
