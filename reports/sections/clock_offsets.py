"""Sentences on clock offsets: certain clock errors, and delays that a queue could explain as well."""

from typing import Any

import polars as pl

from reports.language.display_units import number
from reports.language.translate import mark, say

OFFSET_WORDS = {
    ("clock", "site", True): mark("weighbridge {subject} ahead by {minutes}"),
    ("clock", "site", False): mark("weighbridge {subject} behind by {minutes}"),
    ("clock", "machine", True): mark("machine {subject} ahead by {minutes}"),
    ("clock", "machine", False): mark("machine {subject} behind by {minutes}"),
    ("queue_or_clock", "site", True): mark("weighbridge {subject} later than the others by {minutes}"),
    ("queue_or_clock", "site", False): mark("weighbridge {subject} earlier than the others by {minutes}"),
    ("haul_or_clock", "machine", True): mark("loads of {subject} earlier than those of the others by {minutes}"),
    ("haul_or_clock", "machine", False): mark("loads of {subject} later than those of the others by {minutes}"),
}
"""(cause code, kind of subject, True if the offset is positive) -> text."""


def _minutes(r: dict[str, Any]) -> str:
    """Return the minutes with their interval, without a sign because the sentence states the direction."""
    sign = 1 if r["offset_min"] >= 0 else -1
    low, high = sorted((sign * r["lo95"], sign * r["hi95"]))
    return say("{n} min ({low} to {high})", n=number(abs(r["offset_min"]), 0), low=number(low, 0), high=number(high, 0))


def _offset(r: dict[str, Any]) -> str:
    words = OFFSET_WORDS[r["cause_code"], r["subject_kind"], r["offset_min"] >= 0]
    return say(words, subject=r["subject_id"], minutes=_minutes(r))


def offset_lines(findings: pl.DataFrame) -> list[str]:
    """Return one sentence on wrong clocks and one on offsets of unknown cause, each only if there are any."""
    rows = list(findings.iter_rows(named=True))
    clocks = ", ".join(_offset(r) for r in rows if r["cause_code"] == "clock")
    offsets = ", ".join(_offset(r) for r in rows if r["cause_code"] != "clock")
    out = []
    if clocks:
        out.append(say("Wrong clocks, corrected (95 % interval): {clocks}.", clocks=clocks))
    if offsets:
        out.append(
            say(
                "Weighed later or earlier after lifting than the others (95 % interval): {offsets}. A queue or "
                "the haulage could explain this as well as a wrong clock; the tracing allows for it, and no time is "
                "changed.",
                offsets=offsets,
            )
        )
    return out
