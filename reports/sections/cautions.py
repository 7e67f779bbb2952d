"""Safety cautions shown wherever settings are advised."""

from reports.language.translate import mark

SAFETY_CAUTION = mark(
    "Advice is decision support. Engine off and key out before hands go in. The operator's manual, local codes and "
    "licensed practice prevail."
)
"""Cautions of the first page after a shift, which has few words, and of cards that vary two settings at a time."""
CAUTION = mark(
    "Advice is decision support. Engine off and key out before hands go in. The operator's manual, local codes and "
    "licensed practice prevail. Change one thing at a time and look behind the machine after "
    "each."
)
