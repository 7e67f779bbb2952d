"""Roles of the weights of a ticket, from their arithmetic: full less empty, and delivered less dirt."""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.contracts.reason import Reason, reason
from transforms.contracts.units import UNITS
from transforms.ingest.propose.familiarity import is_exact
from transforms.ingest.propose.header import Name
from transforms.ingest.propose.table import SourceTable
from transforms.ingest.propose.unit_text import read_unit

ROLES = ("truck_full_t", "truck_empty_t", "delivered_t", "clean_t")
WEIGHT_WORDS = ("gross", "net", "tare", "full", "empty", "weight", "delivered", "clean", "weighed", "deduction", "dirt")
EMPTY_SHARE = (0.28, 0.6)
"""Empty weight over full weight of a truck with trailer (common practice, no source)."""
DIRT_SHARE = (0.0, 0.25)
"""Dirt over delivered weight (common practice, no source)."""
MIN_EQUAL, ROUNDING = 0.9, 0.006
"""Minimum share of rows whose difference agrees, and its tolerance in relation to the full weight."""
MIN_ROWS = 3
MAX_WEIGHTS = 12


@dataclass(frozen=True)
class Role:
    """Weight of a ticket: the column, the reason for its role, and True if arithmetic or all its words prove it."""

    name: Name
    why: Reason
    is_proved: bool = True


def weight_roles(table: SourceTable) -> dict[str, Role | None]:
    """Return the roles that the values settle: table column -> file column, or None if no column has this role.

    An empty result means that the values settle nothing.
    """
    weights = _weights(table)
    triples = [
        (a, b, c)
        for a, b, c in itertools.permutations(range(len(weights)), 3)
        if b < c and _is_difference(weights[a][1], weights[b][1], weights[c][1])
    ]
    roles: dict[str, Role | None] = {}
    for a, b, c in triples:
        _settle(roles, weights, (a, b, c))
    if not roles:
        roles = _pair(weights)
    return roles


def _weights(table: SourceTable) -> list[tuple[Name, NDArray[np.float64]]]:
    """Return the columns that may be weights, in tonnes if their unit is stated."""
    out = []
    for name in table.names:
        profile = table.profiles[name.sources[0]]
        text, _ = table.plausibility.unit_text(name)
        unit = read_unit(text) if text else None
        is_mass = unit is not None and UNITS[unit].dimension == "mass"
        if not profile.is_numeric or profile.time_form is not None or (unit is not None and not is_mass):
            continue
        if is_mass or name.has(*WEIGHT_WORDS):
            out.append((name, profile.values * (UNITS[unit].factor / 1000 if unit is not None else 1.0)))
    return out[:MAX_WEIGHTS]


def _share(part: NDArray[np.float64], whole: NDArray[np.float64]) -> float:
    """Return the median of part over whole; nan without common values."""
    both = np.isfinite(part) & np.isfinite(whole) & (whole > 0)
    return float(np.median(part[both] / whole[both])) if both.sum() >= MIN_ROWS else np.nan


def _is_difference(full: NDArray[np.float64], one: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    known = np.isfinite(full) & np.isfinite(one) & np.isfinite(other) & (one > 0) & (other > 0)
    if known.sum() < MIN_ROWS:
        return False
    error = np.abs(full - one - other)[known]
    return bool((error <= ROUNDING * full[known]).mean() >= MIN_EQUAL)


def _settle(
    roles: dict[str, Role | None], weights: list[tuple[Name, NDArray[np.float64]]], triple: tuple[int, int, int]
) -> None:
    """Settle the roles of three weights of which the first is the sum of the others."""
    whole, parts = triple[0], sorted(triple[1:], key=lambda i: _emptiness(weights[i][0]))
    less, rest = parts[1], parts[0]
    if _emptiness(weights[less][0]) == _emptiness(weights[rest][0]):
        return
    share = _share(weights[less][1], weights[whole][1])
    names = [weights[i][0] for i in (whole, less, rest)]
    args = {"full": names[0].sources[0], "less": names[1].sources[0], "rest": names[2].sources[0]}
    is_truck = EMPTY_SHARE[0] <= share <= EMPTY_SHARE[1] and names[1].has("tare", "empty", "2", "weighed")
    if is_truck:
        why = reason("weights_full_less_empty", **args)
        for column, name in zip(ROLES, names, strict=False):
            roles[column] = Role(name, why)
    elif DIRT_SHARE[0] < share <= DIRT_SHARE[1]:
        why = reason("weights_delivered_less_dirt", **args)
        roles["delivered_t"] = roles.get("delivered_t") or Role(names[0], why)
        roles["clean_t"] = Role(names[2], why)


def _emptiness(name: Name) -> int:
    """Return how much a name looks like what is taken off: an empty truck, dirt, a deduction."""
    if name.has("tare", "empty", "dirt", "deduction"):
        return 2
    return 1 if name.has("2") else 0 if name.has("net", "delivered", "clean") else 1 if name.has("gross") else 0


def _pair(weights: list[tuple[Name, NDArray[np.float64]]]) -> dict[str, Role | None]:
    """Settle gross beside empty, or gross beside net, by their relation."""
    roles: dict[str, Role | None] = {}
    gross = [w for w in weights if w[0].has("gross", "full") and not w[0].has("empty", "tare", "net")]
    empty = [w for w in weights if w[0].has("tare", "empty") and not w[0].has("dirt", "gross")]
    net = [w for w in weights if w[0].has("net", "clean") and not w[0].has("gross")]
    if len(gross) == 1 and len(empty) == 1:
        share = _share(empty[0][1], gross[0][1])
        if EMPTY_SHARE[0] <= share <= EMPTY_SHARE[1]:
            why = reason("weights_gross_beside_empty", full=gross[0][0].sources[0], empty=empty[0][0].sources[0])
            return _by_relation({"truck_full_t": gross[0][0], "truck_empty_t": empty[0][0]}, why)
    if len(gross) == 1 and len(net) == 1 and not empty:
        share = _share(net[0][1], gross[0][1])
        args = {"gross": gross[0][0].sources[0], "net": net[0][0].sources[0], "pct": 100 * share}
        if 1 - DIRT_SHARE[1] <= share < 1:
            why = reason("weights_net_of_dirt", **args)
            roles = _by_relation({"delivered_t": gross[0][0], "clean_t": net[0][0]}, why)
        # A third weight may be the net one, and the second that of the clean beet.
        elif 1 - EMPTY_SHARE[1] <= share <= 1 - EMPTY_SHARE[0] and len(weights) == len(gross) + len(net):
            why = reason("weights_net_of_truck", **args)
            roles = {**_by_relation({"delivered_t": net[0][0], "truck_full_t": gross[0][0]}, why), "clean_t": None}
    return roles


def _by_relation(names: dict[str, Name], why: Reason) -> dict[str, Role | None]:
    """Return the roles of two weights by their relation, which proves them only beside exactly recognized names."""
    is_proved = all(is_exact(n) for n in names.values())
    return {column: Role(name, why, is_proved) for column, name in names.items()}
