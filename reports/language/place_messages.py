"""Texts on a subject's place among all: reasons for withholding figures, thirds, quantile marks."""

from reports.language.translate import mark, say
from transforms.benchmark.disclosure import (
    DOMINATED,
    MIN_COMPARED,
    MIN_OTHERS,
    SHARED_OWNERS,
    TOO_FAR_APART,
    TOO_FEW_COMPARED,
    TOO_FEW_OTHERS,
)
from transforms.benchmark.own_view import HIGHEST, LOWEST, MIDDLE, UNSETTLED

REASONS = {
    TOO_FEW_OTHERS: mark("fewer than {others} others are measured, so their figures could be inferred"),
    DOMINATED: mark("one or two others have most of the loads, so their figures could be inferred"),
    TOO_FEW_COMPARED: mark("fewer than {compared} are compared, so individual figures could be inferred"),
    SHARED_OWNERS: mark("some of those compared have the same owner, whose figures could be inferred"),
    TOO_FAR_APART: mark("those compared differ too much, so individual figures could be inferred"),
}
"""Reason code of `transforms/benchmark/disclosure.py` -> sentence part."""
THIRDS = {
    LOWEST: mark("in the lowest third of all"),
    MIDDLE: mark("in the middle third of all"),
    HIGHEST: mark("in the highest third of all"),
    UNSETTLED: mark("the third is not certain"),
}
MARKS = {
    "p10": mark("a tenth below"),
    "p25": mark("a quarter below"),
    "p50": mark("half below"),
    "p75": mark("three quarters below"),
    "p90": mark("nine tenths below"),
}


def reason_words(code: str) -> str:
    """Return the reason for withholding figures, given its code."""
    return say(REASONS[code], others=MIN_OTHERS, compared=MIN_COMPARED)
