"""Texts on a subject's place among all: thirds and quantile marks."""

from reports.language.translate import mark
from transforms.benchmark.own_view import HIGHEST, LOWEST, MIDDLE, UNSETTLED

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
