"""Result of topping from the levels of its fitted responses, and what is needed to weigh a setting."""

from collections.abc import Collection, Mapping

from transforms.advice.cost import Topping
from transforms.arrays import Array
from transforms.config.response_catalogue import OVER_TOPPED, ROOT_LOSS, TOPS
from transforms.config.settings_catalogue import Setting
from transforms.model.response_scale import value_from_scale

TOPPING = (TOPS, OVER_TOPPED)
"""Responses of topping that have a price."""


def topping_from_scale(levels: Mapping[str, Array]) -> Topping | None:
    """Return the result of topping; None if top tare is not fitted.

    Args:
        levels: response of `TOPPING` -> its level on the fitted scale, of shapes that broadcast; fitted ones only.
    """
    if TOPS not in levels:
        return None
    over = value_from_scale(OVER_TOPPED, levels[OVER_TOPPED]) / 100 if OVER_TOPPED in levels else None
    return Topping(value_from_scale(TOPS, levels[TOPS]), over)


def unweighed_responses(setting: Setting, estimated: Mapping[str, Collection[str]]) -> set[str]:
    """Return the responses by which a move of a setting may cost something that is not estimated.

    Root loss must be known for a setting that may act on it. A part of the topper trades leaf on the beet for beet left
    with the leaf, so both must be known.

    Args:
        setting: the setting.
        estimated: response -> settings whose effect on it is estimated; fitted responses only.
    """
    needed = {ROOT_LOSS} & set(setting.responses)
    if setting.stage == "topping":
        needed |= set(TOPPING) & set(setting.responses)
    return {r for r in needed if setting.name not in estimated.get(r, ())}
