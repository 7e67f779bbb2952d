"""Three invented mechanics of root loss, topping and damage, which differ from each other and from the model.

`crumbling` is the demo's own. In `thresholds` each root has a depth, a height, a size or a firmness of its own, and is
broken, cut or lost if a setting passes it; in `sums` the parts of a loss add up, with floors. Some settings do nothing
in the last two. All coefficients are invented. Functions are elementwise on arrays of shape (n,).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from transforms.arrays import Array
from transforms.demo import mechanics, topping
from transforms.demo.mechanics import Ground

Settings = dict[str, Array]
Law = Callable[[Settings, Ground], Array]
WHOLE_ROOT_MASS = 0.6
"""Mass of a lost whole root relative to the mean root."""


@dataclass(frozen=True)
class QualityMechanic:
    """Laws of one mechanic: losses in t/ha, top tare in percent of the delivered mass, shares of roots, 0..1."""

    tips: Law
    wholes: Law
    tops: Law
    under_topped: Law
    over_topped: Law
    damaged: Law

    def losses(self, settings: Settings, ground: Ground) -> Array:
        """Return tips and whole roots lost, t/ha."""
        return self.tips(settings, ground) + self.wholes(settings, ground)


def _hardness(ground: Ground) -> Array:
    return np.asarray((1 - ground.wetness) ** 1.5 * (0.5 + 1.6 * ground.clay))


def _factor(law: Law) -> Law:
    """Return a law times the factor that no log holds."""
    return lambda settings, ground: law(settings, ground) * np.exp(ground.hidden_log)


def _odds(law: Law) -> Law:
    """Return a law of shares whose odds are multiplied by the factor that no log holds."""

    def share(settings: Settings, ground: Ground) -> Array:
        plain = law(settings, ground)
        odds = plain / (1 - plain) * np.exp(ground.hidden_log)
        return np.asarray(odds / (1 + odds))

    return share


def _deep_roots_break(settings: Settings, ground: Ground) -> Array:
    """Roots that reach deeper than the shares break; the first cleaner breaks brittle ones. Cleaner 2 does nothing."""
    needed = 5.4 + 1.2 * _hardness(ground) + 0.25 * (settings["ground_speed_kmh"] - 6)
    torn = norm.cdf((needed - settings["share_depth_cm"]) / 1.1)
    knocked = norm.cdf((settings["cleaner_1_speed_rpm"] * (1 + 0.25 * (1 - ground.wetness)) - 52) / 9)
    return np.asarray(ground.yield_t_ha / 100 * (0.4 + 5 * torn + 4 * knocked) * np.exp(ground.hidden_log))


def _small_roots_fall(settings: Settings, ground: Ground) -> Array:
    """Roots narrower than a gap fall through it, if they meet it."""
    narrow_mm = 100 * (ground.root_kg / 0.8) ** (1 / 3)
    names = ("intake_roller_height_mm", "separator_1_height_mm", "separator_2_height_mm")
    passed = sum(norm.cdf(np.log(np.maximum(settings[n], 5) / narrow_mm) / 0.6) for n in names)
    return np.asarray(WHOLE_ROOT_MASS * ground.yield_t_ha * 0.06 * passed * np.exp(ground.hidden_log))


def _crowns_stand_low(settings: Settings, ground: Ground) -> Array:
    """The knife passes over low roots; driving speed does nothing."""
    above = settings["scalper_height_mm"] - 30 - 0.03 * (settings["topper_speed_rpm"] - 900)
    spread = 16 * (ground.root_kg / 0.8) ** 0.3
    return np.asarray(norm.cdf((above + 20 * ground.hidden_log - 23) / spread))


def _crowns_stand_high(settings: Settings, ground: Ground) -> Array:
    """The knife cuts high roots too deep; the flails do nothing."""
    below = 30 - settings["scalper_height_mm"] + 1.5 * (settings["ground_speed_kmh"] - 6)
    return np.asarray(norm.cdf((below + 10 * ground.hidden_log - 25) / 15))


def _stalks_stay(settings: Settings, ground: Ground) -> Array:
    """Stalks stay below the knife; the flails do nothing."""
    stalks = 1.6 * np.log1p(np.exp((settings["scalper_height_mm"] - 30) / 12))
    return np.asarray((2.2 + stalks) * np.exp(ground.hidden_log))


def _hard_blows(settings: Settings, ground: Ground) -> Array:
    """A blow above a root's firmness breaks its skin; driving speed does nothing."""
    blow = 1.2 * (settings["cleaner_1_speed_rpm"] / 38) ** 2 + 0.9 * (settings["cleaner_2_speed_rpm"] / 38) ** 2
    return np.asarray(norm.cdf(blow - 3 - 0.4 * ground.wetness + ground.hidden_log))


def _tips_add(settings: Settings, ground: Ground) -> Array:
    """Each part adds its percentage, none below zero; driving speed does nothing."""
    shallow = np.maximum(8.5 + _hardness(ground) - settings["share_depth_cm"], 0.2)
    first, second = (np.maximum(settings[f"cleaner_{k}_speed_rpm"] - 30, 0) for k in (1, 2))
    percent = 0.5 + 0.45 * shallow + 0.02 * first + 0.025 * second + ground.hidden_log
    return np.asarray(ground.yield_t_ha / 100 * np.maximum(percent, 0.2))


def _wholes_add(settings: Settings, ground: Ground) -> Array:
    """Each gap adds its own tonnes, none below a width; the second separator does nothing."""
    intake = 0.010 * np.maximum(settings["intake_roller_height_mm"] - 20, 0)
    gap = 0.012 * np.maximum(settings["separator_1_height_mm"] - 25, 0)
    lost = 0.15 + intake + gap + 0.3 * np.maximum(0.9 - ground.root_kg, 0) + 0.3 * ground.hidden_log
    return np.asarray(np.maximum(lost, 0.05))


def _under_topped_adds(settings: Settings, ground: Ground) -> Array:
    """Height and driving speed add shares of roots; the flails do nothing."""
    height = 0.004 * np.maximum(settings["scalper_height_mm"] - 15, 0)
    share = 0.02 + height + 0.012 * (settings["ground_speed_kmh"] - 6) + 0.15 * ground.hidden_log
    return np.asarray(np.clip(share, 0.005, 0.95))


def _over_topped_adds(settings: Settings, ground: Ground) -> Array:
    """Depth of the knife and flails add shares of roots; driving speed does nothing."""
    depth = 0.004 * np.maximum(42 - settings["scalper_height_mm"], 0)
    share = 0.015 + depth + 0.0003 * (settings["topper_speed_rpm"] - 850) + 0.1 * ground.hidden_log
    return np.asarray(np.clip(share, 0.005, 0.95))


def _leaf_adds(settings: Settings, ground: Ground) -> Array:
    """The flails take leaf in equal amounts; the knife does nothing."""
    left = 3.8 - 0.004 * (settings["topper_speed_rpm"] - 900) + 0.8 * (ground.root_kg - 0.8) + 2 * ground.hidden_log
    return np.asarray(np.maximum(left, 0.6))


def _damage_adds(settings: Settings, ground: Ground) -> Array:
    """The first cleaner and the fall at speed add shares of roots; the second cleaner does nothing."""
    blow = 0.006 * np.maximum(settings["cleaner_1_speed_rpm"] - 28, 0)
    share = 0.06 + blow + 0.02 * (settings["ground_speed_kmh"] - 5) - 0.03 * ground.wetness + 0.2 * ground.hidden_log
    return np.asarray(np.clip(share, 0.005, 0.95))


QUALITY_MECHANICS = {
    "crumbling": QualityMechanic(
        _factor(mechanics.tip_loss_t_ha),
        _factor(mechanics.whole_root_loss_t_ha),
        _factor(topping.top_tare_pct),
        _odds(topping.under_topped_share),
        _odds(topping.over_topped_share),
        _odds(topping.damaged_share),
    ),
    "thresholds": QualityMechanic(
        _deep_roots_break, _small_roots_fall, _stalks_stay, _crowns_stand_low, _crowns_stand_high, _hard_blows
    ),
    "sums": QualityMechanic(_tips_add, _wholes_add, _leaf_adds, _under_topped_adds, _over_topped_adds, _damage_adds),
}
