"""Topping and surface damage of the simulated harvest; all coefficients are invented.

All functions are elementwise on arrays of equal length, one element per 30 s of work.
"""

import numpy as np

from transforms.demo.mechanics import Array, Ground, setting_value

USUAL_SCALPER_MM, USUAL_TOPPER_RPM, USUAL_SPEED_KMH, USUAL_ROOT_KG = 30.0, 900.0, 6.0, 0.8


def _share(log_odds: Array) -> Array:
    return np.asarray(1 / (1 + np.exp(-log_odds)))


def _hurry(settings: dict[str, Array]) -> Array:
    return settings["ground_speed_kmh"] - USUAL_SPEED_KMH


def under_topped_share(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the share of roots with leaf stalks over 2 cm: more of them with a high scalper, at speed, on large roots.

    Large roots reach higher above the ground and differ more in height, so that a scalper misses more of them.
    """
    height = setting_value(settings, "scalper_height_mm", USUAL_SCALPER_MM) - USUAL_SCALPER_MM
    rpm = setting_value(settings, "topper_speed_rpm", USUAL_TOPPER_RPM) - USUAL_TOPPER_RPM
    size = ground.root_kg - USUAL_ROOT_KG
    return _share(-2.6 + 0.055 * height - 0.0035 * rpm + 0.22 * _hurry(settings) + 0.7 * size)


def over_topped_share(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the share of roots that are topped too deep: more of them with a low scalper, at speed, on small roots."""
    height = setting_value(settings, "scalper_height_mm", USUAL_SCALPER_MM) - USUAL_SCALPER_MM
    return _share(-2.9 - 0.06 * height + 0.12 * _hurry(settings) - 0.6 * (ground.root_kg - USUAL_ROOT_KG))


def damaged_share(settings: dict[str, Array], ground: Ground) -> Array:
    """Return the share of roots with damaged skin: cleaners and speed bruise, more so where no soil cushions them."""
    beating = np.zeros_like(ground.wetness)
    for k, weight in ((1, 0.45), (2, 0.40), (3, 0.30)):
        beating += weight * (setting_value(settings, f"cleaner_{k}_speed_rpm", 0.0) / 38.0) ** 2
    return _share(-2.6 + 1.1 * beating + 0.10 * _hurry(settings) - 0.5 * ground.wetness)
