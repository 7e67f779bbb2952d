"""Topping and surface damage of the simulated harvest; all coefficients are invented.

All functions are elementwise on arrays of equal length, one element per 30 s of work. A machine without a scalper tops
with its flails alone: much leaf stays, few roots are cut too deep, and the flails' speed matters more.
"""

import numpy as np
import polars as pl

from transforms.demo.mechanics import USUAL_DROP_M, Array, Ground, beating_of_cleaners, setting_value

USUAL_SCALPER_MM, USUAL_TOPPER_RPM, USUAL_SPEED_KMH, USUAL_ROOT_KG = 30.0, 900.0, 6.0, 0.8
FLAILS_ALONE_MM = 46.0
"""Height of the scalper that leaves as much leaf as flails alone do."""
USUAL_TEMP_C, LEAF_MEMORY_DAYS = 10.0, 10


def _share(log_odds: Array) -> Array:
    return np.asarray(1 / (1 + np.exp(-log_odds)))


def _hurry(settings: dict[str, Array]) -> Array:
    return settings["ground_speed_kmh"] - USUAL_SPEED_KMH


def _height(settings: dict[str, Array]) -> Array:
    """Return the height above the usual, mm; for a machine without a scalper, the height with the same effect."""
    return setting_value(settings, "scalper_height_mm", FLAILS_ALONE_MM) - USUAL_SCALPER_MM


def _flails(settings: dict[str, Array]) -> Array:
    """Return the speed of the flails above the usual, rpm, with more weight for a machine without a scalper."""
    has_scalper = ~np.isnan(setting_value(settings, "scalper_height_mm", np.nan))
    rpm = setting_value(settings, "topper_speed_rpm", USUAL_TOPPER_RPM) - USUAL_TOPPER_RPM
    return np.asarray(rpm * np.where(has_scalper, 1.0, 1.5))


def under_topped_share(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the share of roots with leaf stalks over 2 cm: high scalper, speed, much leaf and large roots raise it.

    Large roots reach higher above the ground and differ more in height, so that a scalper misses more of them.
    """
    size = ground.root_kg - USUAL_ROOT_KG
    leaf = 0.9 * np.log(ground.leaf)
    crop = 0.22 * _hurry(settings) + 1.4 * size + leaf
    return _share(-2.6 + 0.055 * _height(settings) - 0.0035 * _flails(settings) + crop)


def over_topped_share(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the share of roots that are topped too deep: low scalper, fast flails, speed and small roots raise it."""
    crop = 0.12 * _hurry(settings) - 1.2 * (ground.root_kg - USUAL_ROOT_KG)
    return _share(-2.9 - 0.08 * _height(settings) + 0.0035 * _flails(settings) + crop)


def top_tare_pct(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the leaf and crown left on the roots, percent of delivered mass."""
    left = 4.85 + 0.055 * _height(settings) - 0.0020 * _flails(settings) + 1.2 * (ground.root_kg - USUAL_ROOT_KG)
    return np.asarray(np.maximum(left, 0.6) * ground.leaf**0.5, dtype=np.float64)


def damaged_share(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the share of roots with damaged skin: speed, cleaners, tines and the fall into the tank bruise them.

    Soil cushions: dry roots are damaged more.
    """
    beating = beating_of_cleaners(settings, ground, 2.0)
    fall = 0.45 * (ground.drop_m - USUAL_DROP_M)
    return _share(-2.6 + 1.1 * beating + fall + 0.10 * _hurry(settings) - 0.5 * ground.wetness)


def leaf_by_day(weather: pl.DataFrame, days: int, spin_up_days: int) -> Array:
    """Return the leaf mass of each day relative to the usual, shape (days,): warm weeks add leaf, cold weeks take it.

    Args:
        weather: the hours of one station, from `spin_up_days` before the first shift.
        days: length of the campaign.
        spin_up_days: days of weather before it.
    """
    daily = weather["air_temp_c"].to_numpy()[: (spin_up_days + days) * 24].reshape(-1, 24).mean(axis=1)
    recent = [daily[max(d - LEAF_MEMORY_DAYS, 0) : d + 1].mean() for d in range(spin_up_days, spin_up_days + days)]
    return np.asarray(np.exp(0.05 * (np.array(recent) - USUAL_TEMP_C)))
