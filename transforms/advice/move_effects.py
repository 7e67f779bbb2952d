"""Draws of the effects of moves on every response that a cost depends on."""

from dataclasses import dataclass

import numpy as np

from transforms.advice.posterior import Slopes
from transforms.advice.topping import unweighed_responses
from transforms.arrays import Array
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Setting


@dataclass(frozen=True)
class MoveEffects:
    """Draws of the effects of moves, on the fitted scale of each response.

    Attributes:
        by_response: response -> draws of the effects; dirt is always there, others if they are fitted.
    """

    by_response: dict[str, Slopes]

    @property
    def settings(self) -> list[str]:
        """Settings with an effect on any response, those of dirt first."""
        return list(dict.fromkeys(n for s in self.by_response.values() for n in s.settings))

    def contains(self, response: str) -> bool:
        """Return True if the effects on a response are known."""
        return response in self.by_response

    def change(self, response: str, steps: dict[str, float]) -> Array:
        """Return draws of the change of a response on its fitted scale, shape (draws,); 0 if it is not fitted.

        Args:
            response: name of the response.
            steps: setting -> number of steps.
        """
        if response in self.by_response:
            return self.by_response[response].log_change(steps)
        return np.zeros(self.by_response[DIRT].draws.shape[0])

    def can_weigh(self, setting: Setting) -> bool:
        """Return True if what a move of a setting may cost is estimated.

        Damage of the skin counts where roots are inspected, and as unchanged elsewhere.
        """
        return not unweighed_responses(setting, {r: s.settings for r, s in self.by_response.items()})
