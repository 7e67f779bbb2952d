"""Subjects that need a look: machines dirty for their conditions or off their settings, silent ones, untraced loads."""

from dataclasses import dataclass, field
from typing import Any, Literal

import polars as pl

from reports.language.bidi import isolated
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import source_label
from reports.language.translate import say, say_n
from reports.page.links import machine_anchor
from reports.page.summary import PageLink, PageLinks
from reports.sections.few_loads import loads_words
from reports.sections.set_points import days_words, lasting, offset_words
from reports.sections.shift_summary_data import ShiftSummaryData
from transforms.config.settings_catalogue import Catalogue

MAX_SUBJECTS = 3


@dataclass(frozen=True)
class Attention:
    """Subject that needs a look.

    Attributes:
        code: `dirty`, `silent`, `untraced` or `offset`.
        subject: machine, or field of untraced loads.
        value: percentage points above expected, hours of silence, number of loads, or difference in the setting's unit.
        source: source of dirt with the largest contribution, or setting of an offset; empty if unknown.
        n: measured loads, or days of an offset, behind the value; 0 if it is a count itself.
        row: row of `set_point_offset` of an offset; empty for other subjects.
    """

    code: Literal["dirty", "silent", "untraced", "offset"]
    subject: str
    value: float
    source: str = ""
    n: int = 0
    row: dict[str, Any] = field(default_factory=dict)


def _dirty(data: ShiftSummaryData) -> list[Attention]:
    """Return the machines whose dirt is clearly above the expected interval, dirtiest for their conditions first."""
    rows = data.machines.drop_nulls(["observed_pct", "observed_half", "expected_hi95"])
    above = rows.filter(pl.col("observed_pct") - pl.col("observed_half") > pl.col("expected_hi95")).with_columns(
        (pl.col("observed_pct") - pl.col("expected_pct")).alias("over")
    )
    found = []
    for r in above.sort("over", "machine_id", descending=[True, False]).iter_rows(named=True):
        sources = data.reasons.filter((pl.col("machine_id") == r["machine_id"]) & (pl.col("points") > 0))
        source = sources["source"][0] if sources.height else ""
        found.append(Attention("dirty", r["machine_id"], r["over"], source, r["measured"]))
    return found


def _offset(offsets: pl.DataFrame, catalogue: Catalogue) -> list[Attention]:
    """Return the largest lasting difference, in steps of its setting."""
    rows = [r for r in lasting(offsets).iter_rows(named=True) if r["setting"] in catalogue]
    if not rows:
        return []
    r = max(rows, key=lambda r: abs(r["gap"]) / catalogue[r["setting"]].step)
    return [Attention("offset", r["machine_id"], r["gap"], r["setting"], r["days"], r)]


def attention(data: ShiftSummaryData, catalogue: Catalogue) -> list[Attention]:
    """Return at most three subjects that need a look, one of each kind first, then further dirty machines.

    The lasting offset is the last of the kinds: it changes least from one day to the next.
    """
    dirty = _dirty(data)
    silent = [Attention("silent", r["machine_id"], r["silent_h"]) for r in data.silent.iter_rows(named=True)]
    loads = int(data.untraced["loads"].sum()) if data.untraced.height else 0
    untraced = [Attention("untraced", str(data.untraced["field_id"][0]), loads)] if loads else []
    first = [*dirty[:1], *silent[:1], *untraced, *_offset(data.offsets, catalogue)]
    return [*first, *dirty[1:], *silent[1:]][:MAX_SUBJECTS]


def _link(
    found: Attention, catalogue: Catalogue, shown: DisplayUnits, machines: str, loads: str, received: str
) -> PageLink:
    name = isolated(found.subject)
    if found.code == "dirty":
        text = say("{machine}: {n} points dirtier than expected", machine=name, n=number(found.value, 1))
        source = say("Mostly: {source}", source=source_label(found.source, catalogue)) if found.source else ""
        about = " · ".join(t for t in (source, loads_words(found.n)) if t)
        return PageLink(text, f"{machines}#{machine_anchor(found.subject)}", about)
    if found.code == "silent":
        text = say("{machine}: silent for {n} hours", machine=name, n=number(found.value, 0))
        return PageLink(text, received)
    if found.code == "offset":
        words = offset_words(found.row, catalogue, shown)
        text = say("{machine}: {difference}", machine=name, difference=words)
        return PageLink(text, f"{machines}#set-points", days_words(found.n))
    text = say_n(
        "{n} load not traceable",
        "{n} loads not traceable",
        int(found.value),
    )
    return PageLink(text, loads, say("Mostly field {field}", field=name))


def attention_links(
    data: ShiftSummaryData, catalogue: Catalogue, shown: DisplayUnits, *, machines: str, loads: str, received: str
) -> PageLinks | None:
    """Return at most three subjects that need a look as links to their evidence; None if there are none.

    Args:
        data: contents of the page.
        catalogue: the settings known.
        shown: units of the page.
        machines: page with the machines of the shift.
        loads: page with the loads of the shift.
        received: page with the data received.
    """
    found = tuple(_link(a, catalogue, shown, machines, loads, received) for a in attention(data, catalogue))
    return PageLinks(found, on_paper=True) if found else None
