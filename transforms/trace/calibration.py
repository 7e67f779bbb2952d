"""Calibration of the trace quality: knots measured on simulated seasons, corrected by evidence of the season.

`tests/benchmarks/tracing.py --calibrate` measures the knots, which are the prior. The correction is fitted to the drawn
loads of the season at hand (`replicates.py`), whose truth is known, and to its hidden tickets
(`hidden_tickets.py`). Calibration errors are in tests/validation/RESULTS.md.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]

KNOTS = (0.0, 0.3, 0.45, 0.55, 0.65, 0.75, 0.85, 0.92, 0.96, 1.0)
KINDS = {
    "seen": (0.0, 0.27, 0.42, 0.51, 0.58, 0.64, 0.69, 0.82, 0.92, 0.92),
    "silent": (0.0, 0.19, 0.32, 0.40, 0.48, 0.61, 0.69, 0.69, 0.73, 0.74),
    "seen_contested": (0.0, 0.27, 0.39, 0.46, 0.49, 0.54, 0.65, 0.78, 0.92, 0.92),
    "silent_contested": (0.0, 0.24, 0.36, 0.43, 0.46, 0.52, 0.63, 0.66, 0.72, 0.78),
    "heap": KNOTS,
    "untraced": (0.0,) * len(KNOTS),
}
"""Kind of load -> fraction of its mass that was traced correctly, at each knot.

That of heaps is corrected already (`heaps.py`). If emptyings are not seen (`silent`), a load is also spread over about
one tankful. Machines are contested if several shared the field and not every ticket names a machine: the converged
messages are then overconfident.
"""
KNOT_LOADS, BEND_LOADS, SITE_LOADS = 6.0, 12.0, 60.0
"""Drawn loads that weigh as much as the prior: of a knot, of equal corrections at neighbouring knots, and of a site
that is like the others."""
STEP = 0.005
"""Corrections are rounded to this, so that a few more loads do not change the grades of all."""


def kind_of(*, emptyings_seen: bool, contested: bool) -> str:
    """Return the kind of a load that was filled from a machine.

    Args:
        emptyings_seen: the emptyings of all machines concerned were seen.
        contested: several machines shared the field and not every ticket names one.
    """
    return ("seen" if emptyings_seen else "silent") + ("_contested" if contested else "")


def calibrate_quality(claimed: float, kind_code: str) -> float:
    """Return the expected fraction of a load's mass that is traced correctly, 0 to 1, from the prior alone.

    Args:
        claimed: the tracing's own, uncalibrated estimate of that fraction.
        kind_code: kind of the load, a key of `KINDS`.
    """
    return float(np.interp(claimed, KNOTS, KINDS[kind_code]))


@dataclass(frozen=True)
class SeasonCalibration:
    """Calibration of one season.

    Attributes:
        at_knot: kind -> expected fraction at each knot.
        of_site: site -> difference of its loads from those of the season.
    """

    at_knot: dict[str, Array]
    of_site: dict[str, float]

    def quality(self, loads: pl.DataFrame) -> Array:
        """Return the expected fraction of each load's mass that is traced correctly, shape (n,).

        Args:
            loads: `claimed_quality, kind_code, site_id`, n rows.
        """
        claimed = loads["claimed_quality"].to_numpy()
        out = np.zeros(loads.height)
        kinds = loads["kind_code"].to_numpy()
        for kind, at_knot in self.at_knot.items():
            own = kinds == kind
            out[own] = np.interp(claimed[own], KNOTS, at_knot)
        site = np.array([self.of_site.get(s, 0.0) for s in loads["site_id"].to_list()])
        shifted = out + site * np.minimum(1.0, out / KNOTS[1]) * (kinds != "heap")
        return np.asarray(np.clip(shifted, 0.0, 1.0))


def calibrate_season(drawn: pl.DataFrame) -> SeasonCalibration:
    """Return the calibration of a season from its drawn and hidden loads: the prior where there are none.

    Knots and sites are estimated together by penalised least squares of the overlap.

    Args:
        drawn: `kind_code, site_id, claimed_quality, overlap`, one row per drawn or hidden load.
    """
    prior = {kind: np.array(at) for kind, at in KINDS.items()}
    kinds = [k for k in KINDS if k in set(drawn["kind_code"].to_list()) - {"untraced"}]
    if not kinds:
        return SeasonCalibration(prior, {})
    sites = sorted(drawn["site_id"].unique().to_list())
    size = len(KNOTS)
    claimed, overlap = drawn["claimed_quality"].to_numpy(), drawn["overlap"].to_numpy()
    hats = np.array([np.interp(claimed, KNOTS, row) for row in np.eye(size)]).T
    of_kind = drawn["kind_code"].to_numpy()
    x = np.hstack(
        [
            *(hats * (of_kind == k)[:, None] for k in kinds),
            (drawn["site_id"].to_numpy()[:, None] == np.array(sites)[None, :]).astype(float),
        ]
    )
    rest = overlap - sum(hats @ prior[k] * (of_kind == k) for k in kinds)
    alike = np.kron(np.eye(len(kinds)), np.diff(np.eye(size), axis=0))
    alike = np.hstack([alike, np.zeros((alike.shape[0], len(sites)))])
    ridge = np.diag([*([KNOT_LOADS] * (size * len(kinds))), *([SITE_LOADS] * len(sites))])
    found = np.linalg.solve(x.T @ x + ridge + BEND_LOADS * alike.T @ alike, x.T @ rest)
    found = np.round(found / STEP) * STEP
    at_knot = dict(prior)
    for j, kind in enumerate(kinds):
        moved = prior[kind] + found[j * size : (j + 1) * size]
        moved[0] = max(moved[0], 0.0)
        at_knot[kind] = np.maximum.accumulate(np.clip(moved, 0.0, 1.0))
    return SeasonCalibration(at_knot, dict(zip(sites, found[len(kinds) * size :].tolist(), strict=True)))
