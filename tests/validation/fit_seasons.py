"""Invented seasons as the fit sees them, one row a load, with the true effect of every setting on every load.

Three mechanics that differ from each other and from the model: none is a sum on the log scale. Operators set their
machines by wetness, clay and by dirt no log holds; on top they try things, every hour or so. Some settings do nothing.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.demo.mechanics import Ground, dirt_ratio

Array = np.ndarray
USUAL = {
    "share_depth_cm": (7.0, 0.6),
    "share_drive_pct": (50.0, 6.0),
    "ground_speed_kmh": (6.0, 0.5),
    "intake_roller_speed_pct": (60.0, 6.0),
    "rear_roller_speed_pct": (55.0, 6.0),
    "transfer_web_speed_pct": (65.0, 6.0),
    "cleaner_1_speed_rpm": (38.0, 4.0),
    "cleaner_2_speed_rpm": (36.0, 4.0),
    "separator_1_height_mm": (45.0, 5.0),
    "separator_2_height_mm": (45.0, 5.0),
}
REACTION = {
    "share_depth_cm": (-2.5, 0.0, -3.0),
    "ground_speed_kmh": (-1.5, -2.0, -2.0),
    "intake_roller_speed_pct": (2.0, 0.0, 2.0),
    "transfer_web_speed_pct": (1.0, 2.0, 2.0),
    "cleaner_1_speed_rpm": (4.0, 5.0, 6.0),
    "cleaner_2_speed_rpm": (4.0, 5.0, 6.0),
    "separator_1_height_mm": (2.0, 2.0, 3.0),
    "separator_2_height_mm": (2.0, 2.0, 3.0),
}
"""Setting -> practical steps by which operators react to a unit more of (wetness, clay fraction, dirt no log holds)."""
Mechanic = Callable[[dict[str, Array], Ground], Array]


def crumbling(settings: dict[str, Array], ground: Ground) -> Array:
    """The demo's own mechanism: soil lifted by depth, loosened by every stage, and soil that sticks."""
    return dirt_ratio(settings, ground)


def sieving(settings: dict[str, Array], ground: Ground) -> Array:
    """Clods and loose soil are sieved apart: each stage lets through a logistic share; the shares add, not multiply.

    The share drive, the rear roller and the second separator do nothing.
    """
    w, clay = ground.wetness, ground.clay
    lifted = 6.0 + 4.0 * np.log1p(np.exp(1.1 * (settings["share_depth_cm"] - 6.5))) * (0.6 + 0.8 * w)
    clods = np.clip(0.15 + 1.1 * clay * (0.3 + w), 0.05, 0.9)
    thrash = 0.05 * (settings["cleaner_1_speed_rpm"] - 38) + 0.04 * (settings["cleaner_2_speed_rpm"] - 36)
    gaps = 0.03 * (settings["separator_1_height_mm"] - 45)
    hurry = 0.35 * (settings["ground_speed_kmh"] - 6)
    loose_left = 1 / (1 + np.exp(2.2 + thrash + gaps - hurry - 1.2 * w))
    clods_left = 1 / (
        1 + np.exp(0.6 + 1.6 * thrash * (1 - w) - hurry - 0.02 * (settings["intake_roller_speed_pct"] - 60))
    )
    stuck = 1.5 * w * clay * np.exp(-0.004 * (settings["transfer_web_speed_pct"] - 65))
    left = lifted * ((1 - clods) * loose_left + clods * clods_left) + stuck
    return np.asarray(left / ground.yield_t_ha * np.exp(ground.hidden_log))


def two_soils(settings: dict[str, Array], ground: Ground) -> Array:
    """Two regimes and a soft switch between them: friable soil falls through, plastic soil is smeared.

    The web, the intake roller and the first separator do nothing.
    """
    plastic = 1 / (1 + np.exp(-9 * (ground.wetness * (0.55 + 1.4 * ground.clay) - 0.5)))
    depth, speed = settings["share_depth_cm"] / 7, settings["ground_speed_kmh"] / 6
    one, two = settings["cleaner_1_speed_rpm"] / 38, settings["cleaner_2_speed_rpm"] / 36
    gap, rear = settings["separator_2_height_mm"] / 45, settings["rear_roller_speed_pct"] / 55
    drive = settings["share_drive_pct"] / 50
    friable = 3.2 * depth**1.3 * speed**0.9 * one**-1.1 * two**-0.9 * gap**-0.5 * rear**-0.3
    smeared = 5.5 * depth**0.7 * speed**0.3 * one**0.25 * two**-0.2 * gap**-0.1 * drive**-0.6
    return np.asarray(((1 - plastic) * friable + plastic * smeared) / ground.yield_t_ha * np.exp(ground.hidden_log))


MECHANICS: dict[str, Mechanic] = {"crumbling": crumbling, "sieving": sieving, "two soils": two_soils}


@dataclass(frozen=True)
class FitSeason:
    """A season's facts and, per load and setting, the true log change of one step: half of two, one either way.

    `own` holds what each load's machine and field add to the log of its dirt.
    """

    mechanic: str
    facts: pl.DataFrame
    effect: dict[str, Array]
    own: dict[str, Array]


def _ar(rng: np.random.Generator, n: int, mean: float, sd: float, stay: float) -> Array:
    out = np.empty(n)
    out[0] = rng.normal(mean, sd)
    for i in range(1, n):
        out[i] = mean + stay * (out[i - 1] - mean) + rng.normal(0, sd * np.sqrt(1 - stay**2))
    return out


def machine_days(rng: np.random.Generator, machines: int, days: int) -> pl.DataFrame:
    """One row a machine and day: field, operator, site, wetness of the day in the field, what no log holds."""
    weather = np.clip(_ar(rng, days, 0.5, 0.24, 0.75), 0.03, 0.97)
    temp = _ar(rng, days, 9, 5, 0.7) - np.linspace(0, 5, days)
    rows, field = [], -1
    clay: list[float] = []
    crop: list[float] = []
    hidden_field: list[float] = []
    for machine in range(machines):
        left = 0
        habit = rng.normal(0, 0.05)
        for day in range(days):
            if left == 0:
                field, left = field + 1, int(rng.integers(1, 4))
                clay.append(float(np.clip(rng.normal(24, 10), 5, 52)))
                crop.append(float(np.clip(rng.normal(75, 11), 45, 105)))
                hidden_field.append(float(rng.normal(0, 0.12)))
            left -= 1
            # Late in a field its neighbour may help: two machines share it now and then.
            where = field if rng.random() > 0.15 or field < 1 else field - 1
            wet = float(np.clip(weather[day] + 0.004 * (clay[where] - 24) + rng.normal(0, 0.08), 0.02, 0.98))
            unseen = hidden_field[where] + habit + rng.normal(0, 0.12)
            rows.append(
                (
                    machine,
                    day,
                    where,
                    2 * machine + (day // 3) % 2,
                    machine % 3,
                    wet,
                    temp[day],
                    clay[where],
                    crop[where],
                    unseen,
                    habit,
                    hidden_field[where],
                )
            )
    return pl.DataFrame(
        rows,
        schema=[
            "machine",
            "day",
            "field",
            "operator",
            "site",
            "wet",
            "temp",
            "clay",
            "crop",
            "unseen",
            "habit",
            "hidden_field",
        ],
        orient="row",
    )


def settings_of_visit(
    rng: np.random.Generator, visit: dict[str, float], habits: dict[str, float], n: int, catalogue: Catalogue
):
    """Each setting over the loads of a visit: habit, what the operator sees, and hourly trying."""
    out = {}
    for name, habit in habits.items():
        a_wet, a_clay, a_hidden = REACTION.get(name, (0.0, 0.0, 0.0))
        seen = a_wet * (visit["wet"] - 0.5) + a_clay * (visit["clay"] / 100 - 0.24) + a_hidden * visit["unseen"]
        turns = np.cumsum(rng.random(n) < 0.35)
        tried = rng.normal(0, 0.95, turns[-1] + 1)[turns]
        s = catalogue[name]
        out[name] = np.clip(habit + s.step * (seen + rng.normal(0, 0.6) + tried), 0.2 * habit, 3 * habit)
    return out


def mirrored_law(mechanic: str, mirrored: tuple[str, ...]) -> Mechanic:
    """A mechanic in which some settings act as their mirror image about the usual value: effects of opposite sign."""

    def law(settings: dict[str, Array], ground: Ground) -> Array:
        mirror = {n: np.maximum(2 * USUAL[n][0] - settings[n], 0.1 * USUAL[n][0]) for n in mirrored}
        return MECHANICS[mechanic]({**settings, **mirror}, ground)

    return law


def fit_season(
    seed: int,
    mechanic: str,
    catalogue: Catalogue,
    machines: int = 10,
    days: int = 24,
    mirrored: tuple[str, ...] = (),
) -> FitSeason:
    """Draw a season of some 10 loads a machine and day; effects of `mirrored` settings have the opposite sign."""
    rng = np.random.default_rng(seed)
    visits = machine_days(rng, machines, days)
    habits = {m: {n: rng.normal(*USUAL[n]) for n in USUAL} for m in range(machines)}
    bad_lab = rng.normal(0, 0.05, (3, days))
    frames: list[dict[str, Array]] = []
    for visit in visits.iter_rows(named=True):
        n = int(rng.integers(6, 15))
        wet = np.clip(visit["wet"] + np.linspace(0.04, -0.04, n), 0.01, 0.99)
        held = settings_of_visit(rng, visit, habits[visit["machine"]], n, catalogue)
        site = int((visit["site"] + (rng.random() < 0.2)) % 3)
        frames.append(
            {
                **{k: np.full(n, v, dtype=float) for k, v in visit.items()},
                **held,
                "wet": wet,
                "site": np.full(n, site, dtype=float),
                "order": np.arange(n, dtype=float),
                "lab": np.full(n, bad_lab[site, visit["day"]]),
            }
        )
    c = {k: np.concatenate([f[k] for f in frames]) for k in frames[0]}
    n = c["wet"].size
    ground = Ground(c["wet"], c["clay"] / 100, c["crop"], np.clip(c["crop"] / 95, 0.4, 1.2), c["unseen"])
    settings = {k: c[k] for k in USUAL}
    law = mirrored_law(mechanic, mirrored)
    effect = {}
    for name in USUAL:
        step = catalogue[name].step
        up, down = ({**settings, name: settings[name] + sign * step} for sign in (1, -1))
        effect[name] = (np.log(law(up, ground)) - np.log(law(down, ground))) / 2
    kg = rng.choice([25.0, 25.0, 25.0, 12.0], n)
    z = np.log(law(settings, ground)) + rng.normal(0, 0.09, n) + c["lab"] + rng.normal(0, 0.1 * np.sqrt(25 / kg))
    own = {"machine": c["habit"], "field": c["hidden_field"]}
    return FitSeason(mechanic, facts_of(c, settings, z, kg), effect, own)


def facts_of(c: dict[str, Array], settings: dict[str, Array], z: Array, kg: Array) -> pl.DataFrame:
    n = z.size
    first = dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
    lifted = [first + dt.timedelta(days=int(d), minutes=40 * int(o)) for d, o in zip(c["day"], c["order"], strict=True)]
    ids = {
        k: [f"{p}{int(v):03d}" for v in c[k]]
        for k, p in (("machine", "M"), ("field", "F"), ("operator", "P"), ("site", "S"))
    }
    return pl.DataFrame(
        {
            "load_id": [f"L{i:06d}" for i in range(n)],
            **{f"{k}_id": v for k, v in ids.items()},
            "shift_date": [t.date() for t in lifted],
            "lifted_at": lifted,
            **settings,
            "topsoil_wetness": c["wet"],
            "clay_pct": c["clay"],
            "air_temp_c": c["temp"],
            "yield_t_ha": c["crop"],
            DIRT: 100 / (1 + np.exp(-z)),
            "sample_kg": kg,
            "trace_quality": np.ones(n),
        }
    )
