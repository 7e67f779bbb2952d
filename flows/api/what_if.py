"""Answer to a what-if question as frames, refused outside the tried range."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from reports.language.reason_text import format_reason
from reports.language.translate import say
from reports.sections.cautions import CAUTION
from transforms.advice.what_if import Answer, WhatIfQuery, answer_query
from transforms.config.workspace import Season
from transforms.errors import WorkspaceError

LIMITS = {"topsoil_wetness": (0.0, 1.0), "clay_pct": (0.0, 60.0), "yield_t_ha": (5.0, 160.0)}
"""Lowest and highest value of a condition, as in the command; air temperature has none."""
UNITS = {
    "dirt_tare_pct": "%",
    "root_loss_t_ha": "t/ha",
    "top_tare_pct": "%",
    "over_topped_pct": "%",
    "damaged_pct": "%",
    "cost_per_t": "{currency}/t",
    "saved_per_t": "{currency}/t",
}
"""Expected quantity -> its unit; per tonne of clean beet."""
FIELD_OF = {"dirt_tare_pct": "dirt_pct"}
"""Quantity -> field of the answer, if their names differ."""


@dataclass(frozen=True)
class QuestionInput:
    """A question as a user puts it.

    Attributes:
        settings: setting -> value in its stored unit.
        parts: place -> part fitted there.
        conditions: condition -> value; None for the season's median.
        basis_code: state of the fit behind the answer, stored with it.
        force: answer also outside the tried range.
    """

    settings: dict[str, float]
    parts: dict[str, str]
    conditions: dict[str, float | None]
    basis_code: str
    force: bool


@dataclass(frozen=True)
class WhatIf:
    """Expected values under given settings and conditions.

    Attributes:
        expected: one row per fitted quantity: `quantity`, `unit`, `mean`, and its 95 % interval `lo95` to `hi95`. Cost
            and saving are per tonne of clean beet, in the season's currency; saving is against the usual settings.
        cost: one row per cause: `cause` and `cost_per_t`, the mean.
        conditions: condition -> value that was used.
        settings: setting -> value that was asked.
        parts: place -> part that was asked.
        n: loads of the fleet in such conditions.
        untried: sentences on what is outside the tried range; empty unless the answer was forced.
        basis_code: `current`, or the state of the fit behind the answer if there is a newer one.
        caution: the cautions that hold for every piece of advice.
    """

    expected: pl.DataFrame
    cost: pl.DataFrame
    conditions: dict[str, float]
    settings: dict[str, float]
    parts: dict[str, str]
    n: int
    untried: tuple[str, ...]
    basis_code: str
    caution: str


def answer_question(table: dict[str, Any], asked: QuestionInput, season: Season) -> WhatIf:
    """Return the answer to a question in the language in use.

    Args:
        table: stored table of draws.
        asked: the question.
        season: settings of the season.

    Raises:
        WorkspaceError: a setting is not in the fit, a part is not a choice, a condition is impossible, or the question
            is outside the tried range and not forced.
    """
    conditions = {n: table["at"][n] if v is None else float(v) for n, v in asked.conditions.items()}
    for name, (low, high) in LIMITS.items():
        if not low <= conditions[name] <= high:
            raise WorkspaceError(
                "the condition {name} is {value}",
                where="what_if",
                remedy="use a value from {low} to {high}",
                name=name,
                value=conditions[name],
                low=low,
                high=high,
            )
    found = answer_query(table, WhatIfQuery(**conditions, settings=asked.settings, parts=asked.parts))
    untried = tuple(format_reason(why, season.catalogue) for why in found.untried)
    if untried and not asked.force:
        raise WorkspaceError(
            "the question is outside the observed range ({ranges})",
            where="what_if",
            remedy="ask within it, or set force=True for an answer without evidence",
            ranges="; ".join(untried),
        )
    return WhatIf(
        expected=_expected(found, season.currency),
        cost=pl.DataFrame({"cause": list(found.parts), "cost_per_t": list(found.parts.values())}),
        conditions=conditions,
        settings=asked.settings,
        parts=asked.parts,
        n=found.n,
        untried=untried,
        basis_code=asked.basis_code,
        caution=say(CAUTION),
    )


def _expected(found: Answer, currency: str) -> pl.DataFrame:
    rows = []
    for quantity, unit in UNITS.items():
        interval = getattr(found, FIELD_OF.get(quantity, quantity))
        if interval is not None:
            rows.append((quantity, unit.format(currency=currency), *interval))
    numbers = dict.fromkeys(("mean", "lo95", "hi95"), pl.Float64)
    return pl.DataFrame(rows, schema={"quantity": pl.String, "unit": pl.String, **numbers}, orient="row")
