"""Data of growers' sheets: each grower's own rows, with every value that depends on others rounded or withheld.

`grower_data` separates each grower's rows and rounds every value that depends on other growers, under the rules of
`transforms/benchmark/disclosure.py`, before a page, chart, workbook or PDF is made. Means of expected values are
calculated from the rounded values, so that a second rounding of the same value does not reveal it more exactly.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import polars.selectors as cs

from reports.language.basis_messages import by_day_words
from reports.language.labels import response_label
from reports.language.translate import say, use_language
from transforms.benchmark.disclosure import (
    TOO_FAR_APART,
    base_step,
    mean_sensitivity,
    round_to_step,
    step_for,
    withholding_reason,
)
from transforms.benchmark.own_view import Comparison, OwnView
from transforms.config.response_catalogue import DIRT
from transforms.config.workspace import Season
from transforms.contracts.reason import Reason
from transforms.outcome.own_uptake import OwnUptake, own_uptake
from transforms.storage.warehouse import Warehouse

STEP = base_step(DIRT)


@dataclass(frozen=True)
class GrowerData:
    """Contents of one sheet; every value that depends on other growers is rounded.

    Attributes:
        grower: the grower's id.
        total: the grower's season totals.
        loads: own loads.
        fields: own fields.
        why: mean contribution of each kind of source to own loads.
        uptake: changes advised for machines in own fields, and own loads beside them; None if none were advised.
        place: own view of the comparison of growers; None if not compared.
        expected_reason: reason why expected values are withheld; None if they are shown.
        why_reason: reason why `why` is withheld; None if it is shown.
        footer: run of each fit.
    """

    grower: str
    total: dict[str, Any]
    loads: pl.DataFrame
    fields: pl.DataFrame
    why: pl.DataFrame
    uptake: OwnUptake | None
    place: OwnView | None
    expected_reason: Reason | None
    why_reason: Reason | None
    footer: tuple[str, ...]


def _footer(warehouse: Warehouse) -> tuple[str, ...]:
    """Return the run of each fit, without counts, fingerprint and closure, which depend on the rows of all growers."""
    return tuple(
        say(
            "Fit of {response}: run {run}.",
            response=response_label(r["response"]),
            run=f"{r['fitted_at']:%Y%m%dT%H%M%SZ}",
        )
        + by_day_words(r)
        + ("" if r["converged"] else " " + say("It did NOT converge: do not act on it."))
        for r in warehouse.table("fit_run").sort("response").iter_rows(named=True)
    )


def _to_step(column: str, step: float) -> pl.Expr:
    return pl.col(column).map_elements(lambda v: round_to_step(v, step), return_dtype=pl.Float64)


def _reproducible(name: str, warehouse: Warehouse) -> pl.DataFrame:
    """Return a query's rows with means to nine decimals: two threads may add the same values in another order."""
    return warehouse.query(name).with_columns(cs.float().round(9))


def why_step(totals: pl.DataFrame) -> float | None:
    """Return the rounding step that hides any one grower's part in the season's typical load; None if none does."""
    known = totals.filter(pl.col("observed_pct").is_finite())
    means = np.asarray(known["observed_pct"].to_numpy(), dtype=np.float64)
    return step_for(mean_sensitivity(means, np.asarray(known["measured"].to_numpy(), dtype=np.float64)), STEP)


def _with_expected(
    total: dict[str, Any], loads: pl.DataFrame, fields: pl.DataFrame
) -> tuple[dict[str, Any], pl.DataFrame]:
    """Return a grower's season totals and fields with the means of the loads' rounded expected values."""
    means = loads.group_by("field_id", maintain_order=True).agg(pl.col("expected_pct").mean())
    fields = fields.join(means, on="field_id", how="left", maintain_order="left").with_columns(
        _to_step("expected_pct", STEP)
    )
    known = loads["expected_pct"].drop_nulls()
    mean = float(known.sum()) / known.len() if known.len() else None
    return {**total, "expected_pct": round_to_step(mean, STEP)}, fields


def grower_data(warehouse: Warehouse, season: Season) -> Iterator[GrowerData]:
    """Yield the data of each grower's sheet."""
    with use_language(season.locale, season.texts):
        footer = _footer(warehouse)
    of_others = ["expected_pct", "lo95", "hi95"]
    shown = ["load_id", "field_id", "shift_date", "lifted_at", "delivered_t", "observed_pct"]
    columns = ["machine_id", *shown, *of_others, "wetness_class"]
    loads = warehouse.query("season_load").select("grower_id", *columns).drop_nulls("grower_id")
    loads = loads.with_columns(_to_step(c, STEP) for c in of_others)
    sources = {
        "loads": loads,
        "fields": _reproducible("grower_field", warehouse),
        "why": _reproducible("grower_contributions", warehouse),
        "uptake": _reproducible("grower_uptake", warehouse),
    }
    parts = {n: f.partition_by("grower_id", as_dict=True, include_key=False) for n, f in sources.items()}
    of_growers = (pl.col("subject_kind") == "grower") & (pl.col("response") == DIRT)
    compared = Comparison(warehouse.table("benchmark").filter(of_growers))
    totals = _reproducible("grower_total", warehouse)
    measured = dict(totals.select("grower_id", "measured").iter_rows())
    step = why_step(totals)
    empty = pl.DataFrame(schema={"kind": pl.String, "points": pl.Float64, "n": pl.Int64})
    for total in totals.iter_rows(named=True):
        grower, key = total["grower_id"], (total["grower_id"],)
        reason = withholding_reason(grower, measured)
        why_reason = reason or (None if step is not None else TOO_FAR_APART)
        own = parts["loads"][key]
        if reason is not None:
            own = own.with_columns(pl.lit(None, pl.Float64).alias(c) for c in of_others)
        own_total, own_fields = _with_expected(total, own, parts["fields"][key])
        why = parts["why"].get(key, empty) if why_reason is None else empty
        visits = parts["uptake"].get(key, sources["uptake"].clear())
        yield GrowerData(
            grower,
            own_total,
            own.drop("machine_id"),
            own_fields,
            why.with_columns(_to_step("points", step or STEP)),
            own_uptake(visits, own),
            compared.view(grower) if grower in compared else None,
            reason,
            why_reason,
            footer,
        )
