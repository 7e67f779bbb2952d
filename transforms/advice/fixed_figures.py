"""Figures of the cost that no workspace sets, each with the code of its origin, for the pages that name them."""

from dataclasses import dataclass

from transforms.advice.cost import FIELD_EFFICIENCY, OVER_TOPPED_LOSS
from transforms.advice.storage import (
    BREAK_FRACTION_AT_6_CM,
    COOL_C,
    COOL_LOSS_KG_PER_T,
    DAMAGED_TIMES,
    SIX_WEEKS_DAYS,
    UNAVOIDABLE_BREAKAGE,
    WARM_C,
    WARM_LOSS_KG_PER_T,
)
from transforms.config.workspace import ASSUMPTION, PRACTICE

GROWING_MANUAL, STORAGE_STUDY, RESPIRATION_STUDY = "growing_manual", "storage_study", "respiration_study"
"""Origins of figures from published sources; the docstrings of `cost.py` and `storage.py` cite them."""


@dataclass(frozen=True)
class FixedFigure:
    """Figure of the cost that no workspace sets.

    Attributes:
        code: name of the figure.
        value: its value.
        unit: `%`, or empty for a factor.
        origin: code of its origin.
        at_c: temperature in the pile that it holds at, degrees C; None if it depends on none.
        days: days in the pile that it holds for; None if it depends on none.
    """

    code: str
    value: float
    unit: str
    origin: str
    at_c: float | None = None
    days: float | None = None


FIXED_FIGURES = (
    FixedFigure("over_topped_loss", 100 * OVER_TOPPED_LOSS, "%", GROWING_MANUAL),
    FixedFigure("pile_loss", COOL_LOSS_KG_PER_T / 10, "%", STORAGE_STUDY, COOL_C, SIX_WEEKS_DAYS),
    FixedFigure("pile_loss", WARM_LOSS_KG_PER_T / 10, "%", STORAGE_STUDY, WARM_C, SIX_WEEKS_DAYS),
    FixedFigure("severe_damage_times", DAMAGED_TIMES, "", RESPIRATION_STUDY),
    FixedFigure("usual_breakage", 100 * UNAVOIDABLE_BREAKAGE, "%", ASSUMPTION),
    FixedFigure("break_at_6_cm", 100 * BREAK_FRACTION_AT_6_CM, "%", ASSUMPTION),
    FixedFigure("field_efficiency", 100 * FIELD_EFFICIENCY, "%", PRACTICE),
)
"""The figures, those with a published source first."""
