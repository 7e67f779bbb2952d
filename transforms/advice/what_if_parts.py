"""Fitted parts as choices of what-if questions: what a part in place of the usual one does to each response.

A part has an effect in a wetness class only if machines that changed compare its dirt with that of the usual part in
that class (`model/fitted_parts.py`). Losses, tops and damage are measured too seldom for classes: without a comparison
in the class they take that over all days, and without either they stay as with the usual part.
"""

from typing import Any

import numpy as np
import polars as pl
from scipy.stats import norm

from transforms.advice.part_evidence import FleetParts, Row, is_by_lot
from transforms.advice.what_if_table import DRAWS, SEED, pack_draws, unpack_draws
from transforms.arrays import Array
from transforms.config.response_catalogue import DIRT
from transforms.contracts.classes import WETNESS_CLASSES
from transforms.contracts.phrase import phrase
from transforms.contracts.reason import Reason, reason
from transforms.contracts.similar_name import use_one_of
from transforms.errors import WorkspaceError
from transforms.model.fitted_parts import PLACES, parts_in_force

MIN_CHOICE_MACHINES = 3
"""Minimum number of machines of a choice: with two, the interval is 12.7 standard errors to either side, and the mean
cost would follow its upper end. Days drawn by lot need no number of machines."""
ALL_STAGES = "cleaning"
"""Place that contains all others: parts of single stages are no choice beside it, or they would count twice."""


def part_choices(fleet: FleetParts, rows: pl.DataFrame, responses: list[str], min_loads: int) -> dict[str, Any]:
    """Return the parts that a question may choose, for the what-if table: numbers, text and base 64, for JSON.

    Args:
        fleet: machine list and comparisons of parts.
        rows: loads of the fit of dirt, with `machine_id` and `shift_date`.
        responses: responses of the table.
        min_loads: smallest number of loads of a comparison of dirt.

    Returns:
        `places`: place -> `usual`, the part of most loads, and `choices`: part -> wetness class -> its comparison with
        the usual part, with draws of the change of z by response; `together`: sets of parts that machines ran with.
    """
    rng = np.random.default_rng(SEED)
    places: dict[str, dict[str, Any]] = {}
    fitted: dict[str, pl.Series] = {}
    for place, column in PLACES.items():
        if column not in fleet.setups.columns or ALL_STAGES in places:
            continue
        own = parts_in_force(rows, fleet.setups, fleet.zone, column).alias(place)
        by_use = own.drop_nulls().value_counts(name="n").sort(["n", place], descending=[True, False])[place].to_list()
        compared = {p: _by_class(fleet, place, (p, by_use[0]), responses, min_loads, rng) for p in sorted(by_use[1:])}
        choices = {part: by_class for part, by_class in compared.items() if by_class}
        if choices:
            places[place], fitted[place] = {"usual": by_use[0], "choices": choices}, own
    together = pl.DataFrame(list(fitted.values())).drop_nulls().unique(maintain_order=True).to_dicts()
    return {"places": places, "together": together}


def _by_class(
    fleet: FleetParts,
    place: str,
    parts: tuple[str, str],
    responses: list[str],
    min_loads: int,
    rng: np.random.Generator,
) -> dict[str, dict[str, Any]]:
    """Return the comparison of a part with the usual one in each wetness class that has one of dirt.

    Args:
        fleet: machine list and comparisons of parts.
        place: place of the parts.
        parts: the part and the usual one.
        responses: responses of the table.
        min_loads: smallest number of loads of a comparison of dirt.
        rng: source of the order of the draws.
    """
    out = {}
    for wetness_class in WETNESS_CLASSES:
        dirt = fleet.comparison(DIRT, place, parts, wetness_class)
        if dirt is None or dirt["n"] < min_loads or (not is_by_lot(dirt) and dirt["machines"] < MIN_CHOICE_MACHINES):
            continue
        found = {
            r: fleet.comparison(r, place, parts, wetness_class) or fleet.comparison(r, place, parts, None)
            for r in responses
        }
        change, half = _log_change(dirt, parts[0])
        out[wetness_class] = {
            **{n: dirt[n] for n in ("machines", "n", "pairs", "wetness_gap", "reason_code", "reason_args")},
            "change_pct": 100 * float(np.expm1(change)),
            "lo95": 100 * float(np.expm1(change - half)),
            "hi95": 100 * float(np.expm1(change + half)),
            "draws": {
                r: pack_draws(_draws(row, parts[0], rng)[:, None]) for r, row in found.items() if row is not None
            },
            "uncompared": [r for r, row in found.items() if row is None],
        }
    return out


def _log_change(row: Row, part: str) -> tuple[float, float]:
    """Return the change of the response on its log scale by a part, and half of its 95 % interval.

    Args:
        row: row of `part_effect`.
        part: the part that is fitted instead of the other.
    """
    low, change, high = (float(np.log1p(row[c] / 100)) for c in ("lo95", "change_pct", "hi95"))
    return change if row["part"] == part else -change, (high - low) / 2


def _draws(row: Row, part: str, rng: np.random.Generator) -> Array:
    """Return draws of the change of z by a part, shape (draws,): normal, with the comparison's 95 % interval.

    With few machines the comparison is Student's t, whose exponential has no mean.

    Args:
        row: row of `part_effect`.
        part: the part that is fitted instead of the other.
        rng: source of the order of the draws.
    """
    change, half = _log_change(row, part)
    quantiles = norm.ppf((np.arange(DRAWS) + 0.5) / DRAWS)
    return np.asarray(change + half / norm.ppf(0.975) * rng.permutation(quantiles))


def parts_of_place(table: dict[str, Any], place: str) -> list[str]:
    """Return the parts that a question may choose for a place, the usual one first; none if no two were compared.

    Args:
        table: the what-if table; one without parts has no choices.
        place: place of the parts.
    """
    about = table.get("parts", {}).get("places", {}).get(place)
    return [] if about is None else [about["usual"], *about["choices"]]


def chosen_parts(table: dict[str, Any], parts: dict[str, str], wetness_class: str) -> dict[str, str]:
    """Return the parts of a question that are not the usual ones, by place.

    Args:
        table: the what-if table.
        parts: place -> part.
        wetness_class: class of the topsoil.

    Raises:
        WorkspaceError: a part is not a choice of its place, or was not compared on such topsoil.
    """
    out = {}
    for place, part in parts.items():
        known = parts_of_place(table, place)
        if part not in known:
            raise WorkspaceError(
                "'{part}' cannot be chosen for '{place}'",
                where="what-if",
                remedy="{hint}",
                part=part,
                place=place,
                hint=use_one_of(part, known) if known else phrase("leave it: no two parts of that place were compared"),
            )
        if part == known[0]:
            continue
        compared = table["parts"]["places"][place]["choices"][part]
        if wetness_class not in compared:
            raise WorkspaceError(
                "'{part}' was compared with '{usual}' on too few loads or machines on such topsoil",
                where="what-if",
                remedy="ask for {wetness_class} topsoil, or leave the part",
                part=part,
                usual=known[0],
                wetness_class=list(compared),
            )
        out[place] = part
    return out


def part_draws(table: dict[str, Any], response: str, wetness_class: str, parts: dict[str, str]) -> Array:
    """Return draws of the change of z of a response by parts in place of the usual ones, shape (draws,).

    Without an effect there is one draw, 0.

    Args:
        table: the what-if table.
        response: name of the response.
        wetness_class: class of the topsoil.
        parts: result of `chosen_parts`.
    """
    z = np.zeros(1)
    for place, part in parts.items():
        compared = table["parts"]["places"][place]["choices"][part][wetness_class]["draws"]
        if response in compared:
            z = z + unpack_draws(compared[response])[:, 0]
    return z


def untried_parts(table: dict[str, Any], parts: dict[str, str]) -> tuple[Reason, ...]:
    """Return the reason why the parts of a question were not tried, if no machine ran with all of them.

    Args:
        table: the what-if table.
        parts: result of `chosen_parts`.
    """
    if not parts:
        return ()
    fitted = {place: parts.get(place, about["usual"]) for place, about in table["parts"]["places"].items()}
    return () if fitted in table["parts"]["together"] else (reason("parts_not_together"),)
