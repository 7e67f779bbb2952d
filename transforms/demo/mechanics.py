"""Mechanics of the simulated harvest: soil lifting, cleaning and root breakage, unlike the form of the fitted model.

All functions are elementwise on arrays of equal length, one element per 30 s of work. The soil mass lifted per depth
is some 30 short tons per acre and half inch (assumption, no source); all other coefficients are invented.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STRIP_FRACTION = 0.37
"""Share of the row width that the shares disturb (assumption: 0.3 to 0.44)."""
SOIL_BULK_DENSITY_T_M3 = 1.40
MIXED_PARTS, USUAL_LEAF, USUAL_DROP_M = 0.5, 1.0, 1.0
CLEANING_STAGES = (1, 2, 3, 4)
CLEANING_REACH = (0.75, 0.65, 0.50, 0.40)
"""Part of the cleaning area of each stage."""
BEATING = (0.45, 0.40, 0.30, 0.24)
"""Force of each stage on the roots."""


@dataclass(frozen=True)
class Ground:
    """Conditions of each 30 s.

    Attributes:
        wetness: topsoil wetness, 0..1.
        clay: clay fraction, 0..1.
        yield_t_ha: clean beet yield.
        root_kg: mean root mass.
        hidden_log: log of a factor on dirt that no export shows.
        tines: share of tines among the cleaning parts fitted; the others are smooth bars.
        leaf: leaf mass, relative to the usual.
        drop_m: height from which roots fall into the tank.
    """

    wetness: Array
    clay: Array
    yield_t_ha: Array
    root_kg: Array
    hidden_log: Array
    tines: Array | float = MIXED_PARTS
    leaf: Array | float = USUAL_LEAF
    drop_m: Array | float = USUAL_DROP_M


def soil_lifted_t_ha(share_depth_cm: Array, wetness: Array) -> Array:
    """Return the soil mass lifted by the shares, t/ha, including water."""
    dry = 100.0 * SOIL_BULK_DENSITY_T_M3 * STRIP_FRACTION * share_depth_cm
    return dry * (1.0 + 0.25 * wetness)


def friability(wetness: Array, clay: Array) -> Array:
    """Return the friability of soil, 0..1: highest at medium wetness, lower and in a narrower range on clay."""
    best = 0.42 - 0.15 * clay
    width = 0.42 - 0.35 * clay
    return (1.0 - 0.55 * clay) / (1.0 + ((wetness - best) / width) ** 2)


def stickiness(wetness: Array, clay: Array) -> Array:
    """Return the adhesion of soil to root skin, about 0..1; it needs both water and clay."""
    return (0.10 + 1.6 * clay) * wetness**1.6 / (0.35 + wetness**1.6)


def setting_value(settings: dict[str, Array], name: str, absent: float) -> Array:
    """Return a setting, or the neutral value `absent` if a machine lacks it."""
    shape = settings["share_depth_cm"]
    raw = settings.get(name)
    return np.full_like(shape, absent) if raw is None else np.where(np.isnan(raw), absent, raw)


def dirt_ratio(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the ratio of soil mass to clean root mass for each 30 s, before measurement error."""
    crumbles = friability(ground.wetness, ground.clay)
    speed = settings["ground_speed_kmh"]
    # Soil and roots share the cleaning area, so a faster machine cleans each tonne for less time.
    crowding = (speed / 6.0) * (0.6 + 0.4 * ground.yield_t_ha / 75.0)
    depth = settings["share_depth_cm"]
    enters = 0.085 * np.exp(-0.004 * (setting_value(settings, "share_drive_pct", 40.0) - 50.0)) * (depth / 7.0) ** 0.35
    intake = 0.9 * (setting_value(settings, "intake_roller_speed_pct", 60.0) / 60.0) ** 0.7
    intake = intake * (1.0 + 0.010 * (setting_value(settings, "intake_roller_height_mm", 40.0) - 40.0))
    rear = 0.35 * (setting_value(settings, "rear_roller_speed_pct", 0.0) / 60.0)
    web = 0.5 * (setting_value(settings, "transfer_web_speed_pct", 65.0) / 65.0) ** 0.5
    stages, scrub = np.zeros_like(depth), np.zeros_like(depth)
    for k, reach in zip(CLEANING_STAGES, CLEANING_REACH, strict=True):
        absent = 0.0 if k > 2 else 38.0
        rpm = setting_value(settings, f"cleaner_{k}_speed_rpm", absent) / 38.0
        gap = setting_value(settings, f"separator_{k}_height_mm", 45.0) / 45.0
        stages += reach * rpm**1.2 * gap**0.8
        scrub += reach * rpm
    # Tines scrub sticky soil off; loose soil falls more easily through smooth bars.
    scrub = scrub * np.exp(0.9 * (ground.tines - MIXED_PARTS))
    stages = stages * np.exp(-0.12 * (ground.tines - MIXED_PARTS))
    loose = soil_lifted_t_ha(depth, ground.wetness) * enters
    loose = loose * np.exp(-crumbles * (intake + rear + web + stages) / np.sqrt(crowding))
    adhering = 11.0 * stickiness(ground.wetness, ground.clay) * (0.8 / ground.root_kg) ** 0.33
    adhering = adhering * np.exp(-0.45 * scrub / np.sqrt(crowding))
    # A rear roller in reverse rubs roots against each other: less soil sticks, but soil that crumbles is carried on.
    in_reverse = setting_value(settings, "rear_roller_reversed", 0.0)
    adhering, loose = adhering * np.exp(-1.00 * in_reverse), loose * np.exp(0.20 * crumbles * in_reverse)
    return np.asarray((0.4 + loose + adhering) / ground.yield_t_ha * np.exp(ground.hidden_log), dtype=np.float64)


def beating_of_cleaners(settings: dict[str, Array], ground: Ground, power: float) -> Array:
    """Return the force of all cleaning stages on the roots, which rises with a power of their speed and with tines."""
    beating = np.zeros_like(ground.wetness)
    for k, weight in zip(CLEANING_STAGES, BEATING, strict=True):
        beating += weight * (setting_value(settings, f"cleaner_{k}_speed_rpm", 0.0) / 38.0) ** power
    return np.asarray(beating * np.exp(0.3 * (ground.tines - MIXED_PARTS)))


def tip_loss_t_ha(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the mass of broken tips left in the ground, t/ha."""
    hardness = (1.0 - ground.wetness) ** 1.5 * (0.5 + 1.6 * ground.clay)
    shortfall = 7.0 + 1.8 * hardness - settings["share_depth_cm"]
    shallow = np.log1p(np.exp(1.6 * shortfall)) / 1.6
    rush = np.maximum(settings["ground_speed_kmh"] - 4.0, 0.0)
    beating = beating_of_cleaners(settings, ground, 2.2)
    percent = 0.6 + 0.9 * shallow + 0.28 * rush * (0.6 + hardness) + 0.55 * beating
    return np.asarray(ground.yield_t_ha * percent / 100.0, dtype=np.float64)


def whole_root_loss_t_ha(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the mass of small whole roots lost through gaps, t/ha."""
    gaps = np.zeros_like(ground.wetness)
    for k in CLEANING_STAGES:
        gap = setting_value(settings, f"separator_{k}_height_mm", 0.0)
        gaps += np.where(gap > 0, np.exp((gap - 45.0) / 14.0), 0.0)
    intake = np.exp((setting_value(settings, "intake_roller_height_mm", 40.0) - 40.0) / 16.0)
    small = (0.8 / ground.root_kg) ** 1.2
    return np.asarray((0.12 * gaps + 0.18 * intake) * small * ground.yield_t_ha / 75.0, dtype=np.float64)


def root_loss_t_ha(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the total root loss, broken tips and whole roots, t/ha."""
    return tip_loss_t_ha(settings, ground) + whole_root_loss_t_ha(settings, ground)
