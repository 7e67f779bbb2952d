"""Words on the shifts of machines for which no change was advised."""

import polars as pl

from reports.language.display_units import number
from reports.language.translate import mark, say

MOVE, TRIAL = "move", "try"
REASONS = {
    "no_change_better": mark("nothing tried was better with enough certainty in {n}"),
    "advice_withheld": mark("withheld by lot, to measure what advice saves, in {n}"),
    "advice_too_few_loads": mark("too few loads in such conditions in {n}"),
    TRIAL: mark("only a change too uncertain to advise in {n}"),
}
"""Reason to hold, or verdict, of `advice_verdict` -> clause."""
OTHER = mark("other reasons in {n}")


def withheld_words(withheld: pl.DataFrame) -> str:
    """Return a sentence on the shifts of machines without an advised change, from `advice_verdict`; empty if none."""
    total = int(withheld["machine_shifts"].sum())
    without = withheld.filter(pl.col("verdict") != MOVE)
    if not without.height:
        return ""
    counts: dict[str, int] = {}
    for r in without.sort("machine_shifts", descending=True).iter_rows(named=True):
        code = r["reason_code"] or r["verdict"]
        clause = REASONS.get(code, OTHER)
        counts[clause] = counts.get(clause, 0) + r["machine_shifts"]
    reasons = ", ".join(say(clause, n=number(n, 0)) for clause, n in counts.items())
    return say(
        "In {n} of {all} shifts of machines no change was advised: {reasons}.",
        n=number(sum(counts.values()), 0),
        all=number(total, 0),
        reasons=reasons,
    )
