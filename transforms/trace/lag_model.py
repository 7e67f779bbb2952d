"""Model of the lag from the field to the weighbridge and of clock offsets, estimated day by day.

The values for a day rest on samples up to a week after it. A new shift therefore never changes the values of earlier
days, whose loads need not be traced again.
"""

import datetime as dt
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.clock_regression import HAUL_SD_MIN, solve_clocks
from transforms.trace.day_clocks import (
    CLOCKS_SD_MIN,
    USUAL_LAG_MIN,
    USUAL_LAG_SD_MIN,
    USUAL_LEAVE_MIN,
    USUAL_LEAVE_SPREAD_MIN,
    USUAL_MIN_PER_KM,
    USUAL_SPREAD_MIN,
    DayClocks,
)
from transforms.trace.lag_medians import (
    MIN_LOADS,
    delayed_share,
    lag_spread,
    median_or_default,
    round_to_half,
    site_spreads,
)
from transforms.trace.offset_cause import CLOCK, FASTEST_MIN_PER_KM, offset_cause

Array = NDArray[np.float64]

STRETCH_SD_MIN, SIGNALLESS_SD_MIN = 3.0, 4.0
"""Standard error of the median lag of a stretch beyond the scatter of its loads, from its mass curve (measured)."""
KNOWN_DRIVE_SD_MIN = 1.0
"""Standard error of the median known drive beyond the scatter of drives (common practice, no source)."""
MOVED = 4.0
"""A clock was reset if its last days differ from the earlier ones by more than this number of standard deviations."""
LOOK_BACK_DAYS = 4
LOOK_AHEAD_DAYS = 7
SMALLEST_MOVE_MIN, MAX_RESETS_PER_DAY = 4.0, 4
SMALLEST_OFFSET_MIN = 3.0
"""A clock is called wrong only if its offset exceeds this, about the accuracy of the lag itself."""
SITE_SD_MIN = 2.0
"""Smallest assumed permanent difference of queues between sites (common practice, no source)."""


@dataclass
class _Epoch:
    """A period in which a clock kept its setting, with its samples and estimate."""

    kind: str
    subject: str
    rows: list[int] = field(default_factory=list)
    value: float = 0.0
    sd: float = USUAL_LAG_SD_MIN


def _precision(samples: pl.DataFrame) -> Array:
    """Return the variance of each sample's median lag, min^2, shape (n,)."""
    own = np.where(samples["has_signal"].to_numpy(), STRETCH_SD_MIN, SIGNALLESS_SD_MIN) ** 2
    own = np.where(samples["machine_id"].is_null().to_numpy(), KNOWN_DRIVE_SD_MIN**2, own)
    scatter = np.maximum(samples["lag_spread_min"].to_numpy(), 1.0) ** 2
    return np.asarray(own + 1.5 * scatter / samples["n"].to_numpy())


class LagModel:
    """Sequential estimation of lags and clock offsets through a season, day by day.

        lag = site's clock + per km x km + road's haul - machine's clock + error                          (2.4)

    by iteratively reweighted least squares: errors are heavy-tailed, and so are the machines' clocks, most of which are
    correct.

    Attributes:
        by_day: shift day -> lags and clock offsets for the tracing of its loads.
    """

    def __init__(self, samples: pl.DataFrame) -> None:
        """Estimate all days of a season from its lag samples, in any order."""
        self.samples = samples.sort("shift_date", "field_id", "machine_id", "site_id", nulls_last=True)
        s = self.samples
        self.day = s["shift_date"].to_numpy()
        self.lag, self.km, self.loads = s["lag_min"].to_numpy(), s["km"].to_numpy(), s["n"].to_numpy()
        self.var = _precision(s) if s.height else np.zeros(0)
        # Known drives are of loads that the machines' samples count.
        self.loads = np.where(s["machine_id"].is_null().to_numpy(), 0, self.loads)
        self.roads = list(zip(s["field_id"].to_list(), s["site_id"].to_list(), strict=True))
        index = {road: j for j, road in enumerate(dict.fromkeys(self.roads))}
        self.road = np.array([index[road] for road in self.roads], dtype=np.int64)
        self.names = {"site": s["site_id"].to_list(), "machine": s["machine_id"].to_list()}
        left = s["full_to_left_min"].cast(pl.Float64).fill_null(np.nan).to_numpy()
        # If the whole fleet's tickets report an earlier moment as the departure, only the difference is evidence.
        self.left = left - min(0.0, median_or_default(s["full_to_left_min"], 0.0))
        self.slope, self.haul_sd = USUAL_MIN_PER_KM, HAUL_SD_MIN
        self.haul: dict[tuple[str, str], tuple[float, float]] = {}
        self.epochs: dict[tuple[str, str], list[_Epoch]] = {}
        self.by_day: dict[dt.date, DayClocks] = {}
        for day in s["shift_date"].unique().sort().to_list():
            seen = np.flatnonzero(self.day <= np.datetime64(day))
            self._add(np.flatnonzero(self.day == np.datetime64(day)))
            self._solve(seen)
            for _ in range(MAX_RESETS_PER_DAY):
                if not self._split(day):
                    break
                self._solve(seen)
            common = self._common(self.samples[seen.tolist()])
            for past in [d for d in (*self.by_day, day) if (day - d).days <= LOOK_AHEAD_DAYS]:
                self.by_day[past] = self._day_clocks(common, past)

    def _add(self, today: NDArray[np.int64]) -> None:
        """Add the samples of a day to the current epochs of their clocks."""
        for kind, names in self.names.items():
            for i in today.tolist():
                name = names[i]
                if name is not None:
                    self.epochs.setdefault((kind, name), [_Epoch(kind, name)])[-1].rows.append(i)

    def _all(self) -> list[_Epoch]:
        """Return all epochs of all clocks."""
        return [e for clock_epochs in self.epochs.values() for e in clock_epochs]

    def _solve(self, seen: NDArray[np.int64]) -> None:
        """Estimate all clocks and the driving time jointly from the samples seen so far."""
        epochs = self._all()
        column: dict[str, NDArray[np.int64]] = {k: np.full(self.lag.size, -1) for k in self.names}
        for j, epoch in enumerate(epochs):
            column[epoch.kind][epoch.rows] = j
        is_machine = np.array([e.kind == "machine" for e in epochs])
        site, machine = column["site"][seen], column["machine"][seen]
        _, road = np.unique(self.road[seen], return_inverse=True)
        found = solve_clocks(self.lag[seen], self.var[seen], self.km[seen], site, machine, road, is_machine)
        self.slope, self.haul_sd = found.min_per_km, found.haul_sd_min
        of_road = zip(found.haul_min[road].tolist(), found.haul_error_min[road].tolist(), strict=True)
        self.haul = dict(zip([self.roads[i] for i in seen], of_road, strict=True))
        self.residual = np.zeros(self.lag.size)
        self.residual[seen] = found.residual_min
        for j, epoch in enumerate(epochs):
            epoch.value, epoch.sd = float(found.clock_min[j]), float(found.clock_sd_min[j])

    def _split(self, day: dt.date) -> bool:
        """Start a new epoch of the clock with the clearest change; return True if there was one.

        Epochs start one at a time, those of sites first: a reset weighbridge clock shifts the lags of every machine
        that delivers there, which must not be mistaken for reset machine clocks.
        """
        candidates: list[tuple[bool, float, tuple[str, str], NDArray[np.bool_]]] = []
        for key, clock_epochs in self.epochs.items():
            rows = np.array(clock_epochs[-1].rows)
            if self.day[rows[-1]] != np.datetime64(day):
                continue
            for back in range(LOOK_BACK_DAYS):
                recent = self.day[rows] >= np.datetime64(day) - np.timedelta64(back, "D")
                if recent.all():
                    break
                moved = self._moved(rows[~recent], rows[recent])
                if moved > 1:
                    candidates.append((key[0] == "site", moved, key, recent))
        if not candidates:
            return False
        _, _, key, recent = max(candidates, key=lambda f: f[:3])
        clock_epochs = self.epochs[key]
        rows = np.array(clock_epochs[-1].rows)
        clock_epochs[-1].rows = rows[~recent].tolist()
        clock_epochs.append(_Epoch(*key, rows[recent].tolist()))
        return True

    def _moved(self, before: NDArray[np.int64], after: NDArray[np.int64]) -> float:
        """Return the change of a clock relative to the threshold for a new epoch."""
        (a, var_a), (b, var_b) = (self._mean(rows) for rows in (before, after))
        return abs(a - b) / max(SMALLEST_MOVE_MIN, MOVED * float(np.sqrt(var_a + var_b)))

    def _mean(self, rows: NDArray[np.int64]) -> tuple[float, float]:
        """Return the median residual of samples, and its variance; samples of one road share its drive."""
        by_road = np.bincount(np.unique(self.road[rows], return_inverse=True)[1], weights=1 / self.var[rows])
        return float(np.median(self.residual[rows])), 1.57 / float(np.sum(1 / (self.haul_sd**2 + 1 / by_road)))

    def _level(self) -> float:
        """Return the usual site's clock: the median over sites of the value of the longest epoch."""
        longest = [max(c, key=self._loads).value for (kind, _), c in self.epochs.items() if kind == "site"]
        return float(np.median(longest)) if longest else USUAL_LAG_MIN

    def _loads(self, epoch: _Epoch) -> int:
        """Return the number of loads in the samples of an epoch."""
        return int(self.loads[epoch.rows].sum())

    def _offset(self, epoch: _Epoch) -> tuple[float, float]:
        """Return the minutes a clock is ahead, and half the width of the 95 % interval."""
        if epoch.kind == "site":
            return epoch.value - self._level(), 1.96 * float(np.hypot(epoch.sd, SITE_SD_MIN))
        return epoch.value, 1.96 * epoch.sd

    def _is_off(self, epoch: _Epoch) -> bool:
        """Return True if the offset of a clock is certain and large enough to be corrected."""
        offset, half = self._offset(epoch)
        return abs(offset) > max(SMALLEST_OFFSET_MIN, half)

    def _cause(self, epoch: _Epoch, wrong_sites: set[str]) -> str | None:
        """Return the cause of an offset; arrivals at sites with a wrong clock are not evidence on a machine."""
        if not self._is_off(epoch):
            return None
        rows = np.array(epoch.rows)
        km, nothing = self.km[rows], np.full(rows.size, np.nan)
        if epoch.kind == "site":
            slack = epoch.value + (self.slope - FASTEST_MIN_PER_KM) * km
            return offset_cause(epoch.kind, slack, nothing, self.var[rows] + self.haul_sd**2)
        right = np.array([self.names["site"][i] not in wrong_sites for i in rows])
        slack = np.where(right, self.lag[rows] - FASTEST_MIN_PER_KM * km, nothing)
        return offset_cause(epoch.kind, slack, self.left[rows], self.var[rows])

    def _on(self, day: dt.date) -> dict[tuple[str, str], _Epoch]:
        """Return the epoch of each clock on a day: the last that had started, or else its first."""
        begun = {k: [e for e in c if self.day[e.rows[0]].item() <= day] for k, c in self.epochs.items()}
        return {k: begun[k][-1] if begun[k] else c[0] for k, c in self.epochs.items()}

    def _common(self, seen: pl.DataFrame) -> DayClocks:
        """Return the values that all clocks share."""
        left = seen.filter(pl.col("leave_n") >= MIN_LOADS)
        leave_spread = max(1.0, round_to_half(median_or_default(left["leave_spread_min"], USUAL_LEAVE_SPREAD_MIN)))
        spread = max(2.0, round_to_half(lag_spread(seen, leave_spread, USUAL_SPREAD_MIN)))
        return DayClocks(
            min_per_km=round(self.slope / 0.05) * 0.05,
            spread_min=spread,
            leave_min=round_to_half(median_or_default(left["leave_min"], USUAL_LEAVE_MIN)),
            leave_spread_min=leave_spread,
            closure=round(median_or_default(seen["closure"], 1.0), 2),
            delayed=round(delayed_share(seen) / 0.04) * 0.04,
            shared_sd_min=float(round(np.hypot(CLOCKS_SD_MIN, self.haul_sd))),
            site_spread_min={s: max(2.0, sd) for s, sd in site_spreads(seen, leave_spread, spread).items()},
        )

    def _day_clocks(self, common: DayClocks, day: dt.date) -> DayClocks:
        """Return the shared values completed by the offsets of a day."""
        now, (hauls, errors) = self._on(day), self._of_roads(day)
        return replace(
            common,
            site_lag_min={s: round(e.value) for (kind, s), e in now.items() if kind == "site"},
            machine_ahead_min={
                m: round(e.value) for (kind, m), e in now.items() if kind == "machine" and self._is_off(e)
            },
            haul_min=hauls,
            field_sd_min=errors,
        )

    def _of_roads(self, day: dt.date) -> tuple[dict[str, dict[str, float]], dict[str, float]]:
        """Return the drives of the fields with samples about a day, and the errors of their lags, whole minutes."""
        about = np.flatnonzero(np.abs((self.day - np.datetime64(day)).astype(int)) <= LOOK_AHEAD_DAYS)
        hauls: dict[str, dict[str, float]] = {}
        errors: dict[str, float] = {}
        for name, site in dict.fromkeys(self.roads[i] for i in about if self.roads[i] in self.haul):
            minutes, error = self.haul[name, site]
            hauls.setdefault(name, {})[site] = float(round(minutes))
            errors[name] = max(errors.get(name, 0.0), float(round(np.hypot(CLOCKS_SD_MIN, error))))
        return hauls, errors

    def offsets(self) -> pl.DataFrame:
        """Return the offset of every clock by epoch.

        Returns:
            `subject_kind, subject_id, from_date, to_date, offset_min, lo95, hi95, n, corrected, cause_code`. Offsets
            are minutes ahead. A site's clock is compared with the median site, and differences between queues widen
            its interval. The tracing corrects for `corrected` offsets; `cause_code` is null for all others.
        """
        rows = []
        wrong = {e.subject for e in self._all() if e.kind == "site" and self._cause(e, set()) == CLOCK}
        for e in self._all():
            offset, half = self._offset(e)
            first, last = self.day[e.rows[0]].item(), self.day[e.rows[-1]].item()
            rows.append(
                (
                    e.kind,
                    e.subject,
                    first,
                    last,
                    offset,
                    offset - half,
                    offset + half,
                    self._loads(e),
                    self._is_off(e),
                    self._cause(e, wrong),
                )
            )
        schema = {
            "subject_kind": pl.String,
            "subject_id": pl.String,
            "from_date": pl.Date,
            "to_date": pl.Date,
            "offset_min": pl.Float64,
            "lo95": pl.Float64,
            "hi95": pl.Float64,
            "n": pl.Int64,
            "corrected": pl.Boolean,
            "cause_code": pl.String,
        }
        return pl.DataFrame(rows, schema=schema, orient="row").sort("subject_kind", "subject_id", "from_date")
