"""Words for the quality of a load's trace."""

from reports.language.translate import mark, say
from transforms.model.specification import MIN_TRACE_QUALITY

WORDS = (
    (0.8, mark("good")),
    (0.6, mark("fair")),
    (MIN_TRACE_QUALITY, mark("poor")),
    (0.0, mark("too poor to count")),
)
"""Lowest quality of each word; loads below `MIN_TRACE_QUALITY` are not in the fit."""


def trace_word(quality: float | None) -> str:
    """Return the quality of a trace, 0 to 1, in a word.

    >>> trace_word(0.91), trace_word(0.47)
    ('good', 'poor')
    """
    known = quality or 0.0
    return say(next(word for low, word in WORDS if known >= low))
