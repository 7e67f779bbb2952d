"""Sugar loss of roots in the pile, which rises exponentially with temperature, and with damage, dirt and tops.

    loss = d  a exp(k (T - 5.5 C))  ((1 + 3 q) / (1 + 3 q0) + f_dirt dirt + f_tops tops + f_skin skin)

kg of sugar per tonne of clean beet;
d days, T pile temperature. a and k follow from two published losses over six weeks: 5 kg/t at 5.5 C and 9 kg/t at
9.6 C (Ekeloef 2019, in English 2020, Long Term Storage of Sugar Beets and the Role of Temperature). Respiration is
strictly exponential between 0 and 16 C (Zuckerindustrie, paper 246087); T is clipped to that range. q is the share of
severely damaged roots, which respire fourfold (Zandstra and Squire, University of Guelph, atrium.lib.uoguelph.ca), q0
the damage included in the published losses: 1.5 % of yield broken off (assumption; 150 Dutch fields lost 1.7 t/ha on
average, 0.1 to 5.0: IRS, Teelthandleiding 8.3, Table 8.3.1).
skin is the share of roots with damaged skin. f_dirt, f_tops and f_skin are assumptions of `season.toml` (common
practice, no source). f_skin, 0.6 % a point, is that of one severely damaged root in five damaged (assumption), and
proportional to their share where it is counted (severe_damage.py).
"""

import numpy as np
from numpy.typing import NDArray

from transforms.config.workspace import Prices

Array = NDArray[np.float64]
SIX_WEEKS_DAYS = 42.0
COOL_C, COOL_LOSS_KG_PER_T = 5.5, 5.0
WARM_C, WARM_LOSS_KG_PER_T = 9.6, 9.0
PER_C = float(np.log(WARM_LOSS_KG_PER_T / COOL_LOSS_KG_PER_T) / (WARM_C - COOL_C))
EXPONENTIAL_C = (0.0, 16.0)
DAMAGED_TIMES = 4.0
UNAVOIDABLE_BREAKAGE = 0.015
BREAK_FRACTION_AT_6_CM = 0.11
"""Fraction of root mass lost at a break of 6 cm, which counts as severe: see `model/root_loss.py`."""


def healthy_loss_kg_per_t_day(temp_c: Array | float) -> Array:
    """Return the sugar lost per day by a tonne of clean roots with the usual damage, kg."""
    inside = np.clip(temp_c, *EXPONENTIAL_C)
    return np.asarray(COOL_LOSS_KG_PER_T / SIX_WEEKS_DAYS * np.exp(PER_C * (inside - COOL_C)))


def damaged_share(root_loss_t_ha: Array | float, yield_t_ha: Array | float) -> Array:
    """Return the share of severely damaged roots implied by a root loss, 0 to 1, if all of it breaks off at 6 cm.

    Args:
        root_loss_t_ha: root loss, t/ha, any shape.
        yield_t_ha: yield, t/ha, a shape that broadcasts with it.
    """
    return np.asarray(np.clip(np.asarray(root_loss_t_ha) / np.asarray(yield_t_ha) / BREAK_FRACTION_AT_6_CM, 0.0, 1.0))


def condition_factor(
    dirt_pct: Array | float,
    tops_pct: Array | float,
    damaged: Array | float,
    prices: Prices,
    skin_damaged_pct: Array | float = 0.0,
) -> Array:
    """Return the loss of roots relative to clean roots with the usual damage.

    Args:
        dirt_pct: dirt tare, percent, any shape that broadcasts with the other quantities.
        tops_pct: top tare, percent.
        damaged: share of roots that are severely damaged by breakage, 0 to 1.
        prices: additional loss per point of dirt tare, top tare and roots with damaged skin.
        skin_damaged_pct: roots with damaged skin, percent; 0 if no roots are inspected.
    """
    usual = 1 + (DAMAGED_TIMES - 1) * UNAVOIDABLE_BREAKAGE / BREAK_FRACTION_AT_6_CM
    more = prices.storage_dirt_pct / 100 * np.asarray(dirt_pct) + prices.storage_tops_pct / 100 * np.asarray(tops_pct)
    more = more + prices.storage_damage_pct / 100 * np.asarray(skin_damaged_pct)
    return np.asarray((1 + (DAMAGED_TIMES - 1) * np.asarray(damaged)) / usual + more)
