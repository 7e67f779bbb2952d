"""Result of topping from the levels of its fitted responses, and what is needed to weigh a setting."""

from collections.abc import Collection, Mapping

from transforms.advice.cost import Topping
from transforms.arrays import Array
from transforms.config.response_catalogue import OVER_TOPPED, ROOT_LOSS, TOPS, UNDER_TOPPED
from transforms.config.settings_catalogue import Setting
from transforms.model.response_scale import value_from_scale

TOPPING = (TOPS, UNDER_TOPPED, OVER_TOPPED)
"""Responses of topping that have a price; stalks have one only without top tare (`priced_responses`)."""


def topping_from_scale(levels: Mapping[str, Array], stalks_tops_pct: float) -> Topping | None:
    """Return the result of topping; None if neither top tare nor roots with stalks are fitted.

    Without top tare, it is that of the roots with stalks over 2 cm.

    Args:
        levels: response of `TOPPING` -> its level on the fitted scale, of shapes that broadcast; fitted ones only.
        stalks_tops_pct: top tare of a root with stalks over 2 cm, percent (assumption).
    """
    over = value_from_scale(OVER_TOPPED, levels[OVER_TOPPED]) / 100 if OVER_TOPPED in levels else None
    if TOPS in levels:
        return Topping(value_from_scale(TOPS, levels[TOPS]), over)
    if UNDER_TOPPED not in levels:
        return None
    stalks = value_from_scale(UNDER_TOPPED, levels[UNDER_TOPPED]) / 100
    return Topping(stalks_tops_pct * stalks, over, stalks_tops_pct)


def unweighed_responses(setting: Setting, estimated: Mapping[str, Collection[str]]) -> set[str]:
    """Return the responses by which a move of a setting may cost something that is not estimated.

    Root loss must be known for a setting that may act on it. A part of the topper trades leaf on the beet for beet left
    with the leaf, so both must be known; the leaf by its stalks if top tare is not fitted.

    Args:
        setting: the setting.
        estimated: response -> settings whose effect on it is estimated; fitted responses only.
    """
    needed = {ROOT_LOSS} & set(setting.responses)
    if setting.stage == "topping":
        leaf = UNDER_TOPPED if UNDER_TOPPED in estimated and TOPS not in estimated else TOPS
        needed |= {leaf, OVER_TOPPED} & set(setting.responses)
    return {r for r in needed if setting.name not in estimated.get(r, ())}
