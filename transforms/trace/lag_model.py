"""How long loads take from the field to the weighbridge, and whose clock stands off, learnt day by day.

What is taken for a day rests on the days up to a week after it: a new shift changes nothing that was learnt for the
days before that week, so that their loads need not be traced again.
"""

import datetime as dt
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.sparse import csr_array

from transforms.trace.lag_medians import FEWEST_TOLD, lag_spread, median_or, round_to_half
from transforms.trace.offset_cause import CLOCK, FASTEST_MIN_PER_KM, offset_cause

Array = NDArray[np.float64]

SAMPLE: dict[str, pl.DataType | type[pl.DataType]] = {
    "field_id": pl.String,
    "shift_date": pl.Date,
    "machine_id": pl.String,
    "site_id": pl.String,
    "km": pl.Float64,
    "n": pl.Int64,
    "lag_min": pl.Float64,
    "lag_spread_min": pl.Float64,
    "leave_min": pl.Float64,
    "leave_spread_min": pl.Float64,
    "leave_n": pl.Int64,
    "drive_spread_min": pl.Float64,
    "drive_n": pl.Int64,
    "full_to_left_min": pl.Float64,
    "closure": pl.Float64,
    "has_signal": pl.Boolean,
}
"""What a stretch of work tells: the median lag of its loads, and how far they scatter."""
USUAL_LAG_MIN, USUAL_LAG_SD_MIN = 14.0, 20.0
USUAL_MIN_PER_KM, USUAL_MIN_PER_KM_SD = 1.45, 0.2
"""Waiting and weighing, and driving at some 41 km/h (common practice, no source): what is thought before any load."""
USUAL_SPREAD_MIN, USUAL_LEAVE_MIN, USUAL_LEAVE_SPREAD_MIN = 5.0, 3.0, 3.0
STRETCH_SD_MIN, SIGNALLESS_SD_MIN = 3.0, 4.0
"""What the median lag of a stretch is known to beyond its loads' scatter: how well its mass curve closes (measured)."""
RIGHT_CLOCK_SD_MIN = 1.0
"""How far right clocks differ, roads and trucks included; wrong ones may be off by anything."""
HEAVY = 4.0
"""Degrees of freedom of the samples' errors: some stretches have lost a ticket."""
TURNS = 12
MOVED = 4.0
"""A clock has been set anew where its last days differ by so many standard deviations from those before."""
LOOK_BACK_DAYS = 4
LOOK_AHEAD_DAYS = 7
SMALLEST_MOVE_MIN, MOST_MOVES_A_DAY = 4.0, 4
SMALLEST_OFFSET_MIN = 3.0
"""A clock is called off only where it stands at least this far off (the lag itself is about as good)."""
SITE_SD_MIN = 2.0
"""Queues differ between sites for good: the least of it that is taken as certain (common practice, no source)."""


@dataclass(frozen=True)
class DayClocks:
    """What is taken for one shift day, rounded: a field is traced again only where what it uses has changed.

    Attributes:
        site_lag_min: minutes from leaving the field to the ticket's time, without the way.
        min_per_km: and for each km of way.
        spread_min: robust standard deviation of one load's lag.
        leave_min: minutes from the emptying to the moment a ticket says the load left.
        leave_spread_min: and its spread.
        machine_ahead_min: minutes a machine's clock runs ahead; only clocks that are surely off are in it.
        closure: weighed over lifted mass of the fleet.
    """

    site_lag_min: dict[str, float] = field(default_factory=dict)
    min_per_km: float = USUAL_MIN_PER_KM
    spread_min: float = USUAL_SPREAD_MIN
    leave_min: float = USUAL_LEAVE_MIN
    leave_spread_min: float = USUAL_LEAVE_SPREAD_MIN
    machine_ahead_min: dict[str, float] = field(default_factory=dict)
    closure: float = 1.0

    def lag_min(self, site: str, km: float) -> float:
        """Return the expected minutes from leaving the field to the ticket's time."""
        known = list(self.site_lag_min.values())
        usual = float(np.median(known)) if known else USUAL_LAG_MIN
        return self.site_lag_min.get(site, usual) + self.min_per_km * km


@dataclass
class _Epoch:
    """A stretch of days over which a clock kept its setting, its samples, and what was found of it."""

    kind: str
    subject: str
    rows: list[int] = field(default_factory=list)
    value: float = 0.0
    sd: float = USUAL_LAG_SD_MIN


def _precision(samples: pl.DataFrame) -> Array:
    """Variance of each sample's median lag, min^2."""
    own = np.where(samples["has_signal"].to_numpy(), STRETCH_SD_MIN, SIGNALLESS_SD_MIN) ** 2
    scatter = np.maximum(samples["lag_spread_min"].to_numpy(), 1.0) ** 2
    return np.asarray(own + 1.5 * scatter / samples["n"].to_numpy())


class Learning:
    """Goes through the season day by day; after each day it says what to take for it.

        lag = site's clock + per km x km - machine's clock + error                                        (2.4)

    by least squares, reweighted: errors have heavy tails, and so have the machines' clocks, of which most are right.
    """

    def __init__(self, samples: pl.DataFrame) -> None:
        """Take all samples of a season, in any order."""
        self.samples = samples.sort("shift_date", "field_id", "machine_id", "site_id", nulls_last=True)
        s = self.samples
        self.day = s["shift_date"].to_numpy()
        self.lag, self.km, self.loads = s["lag_min"].to_numpy(), s["km"].to_numpy(), s["n"].to_numpy()
        self.var = _precision(s) if s.height else np.zeros(0)
        self.who = {"site": s["site_id"].to_list(), "machine": s["machine_id"].to_list()}
        left = s["full_to_left_min"].cast(pl.Float64).fill_null(np.nan).to_numpy()
        # Where tickets of the whole fleet give an earlier moment as the departure, only the difference is evidence.
        self.left = left - min(0.0, median_or(s["full_to_left_min"], 0.0))
        self.slope = USUAL_MIN_PER_KM
        self.epochs: dict[tuple[str, str], list[_Epoch]] = {}
        self.by_day: dict[dt.date, DayClocks] = {}
        for day in s["shift_date"].unique().sort().to_list():
            seen = np.flatnonzero(self.day <= np.datetime64(day))
            self._add(np.flatnonzero(self.day == np.datetime64(day)))
            self._solve(seen)
            for _ in range(MOST_MOVES_A_DAY):
                if not self._split(day):
                    break
                self._solve(seen)
            common = self._common(self.samples[seen.tolist()])
            for past in [d for d in (*self.by_day, day) if (day - d).days <= LOOK_AHEAD_DAYS]:
                self.by_day[past] = self._taken(common, past)

    def _add(self, today: NDArray[np.int64]) -> None:
        for kind, names in self.who.items():
            for i in today.tolist():
                name = names[i]
                if name is not None:
                    self.epochs.setdefault((kind, name), [_Epoch(kind, name)])[-1].rows.append(i)

    def _all(self) -> list[_Epoch]:
        return [e for course in self.epochs.values() for e in course]

    def _solve(self, seen: NDArray[np.int64]) -> None:
        """Least squares over all clocks and the way at once."""
        epochs = self._all()
        column: dict[str, NDArray[np.int64]] = {k: np.full(self.lag.size, -1) for k in self.who}
        for j, epoch in enumerate(epochs):
            column[epoch.kind][epoch.rows] = j
        every, known = np.arange(seen.size), np.flatnonzero(column["machine"][seen] >= 0)
        rows = np.concatenate([every, known, every])
        columns = [column["site"][seen], column["machine"][seen][known], np.full(seen.size, len(epochs))]
        values = np.concatenate([np.ones(seen.size), np.full(known.size, -1.0), self.km[seen]])
        x = csr_array((values, (rows, np.concatenate(columns))), shape=(seen.size, len(epochs) + 1))
        is_machine = np.array([e.kind == "machine" for e in epochs])
        prior = np.append(np.where(is_machine, 0.0, USUAL_LAG_MIN), USUAL_MIN_PER_KM)
        loose = np.append(np.where(is_machine, RIGHT_CLOCK_SD_MIN, USUAL_LAG_SD_MIN) ** 2, USUAL_MIN_PER_KM_SD**2)
        at, spread, error = prior, loose.copy(), self.var[seen].copy()
        inverse = np.diag(loose)
        for _ in range(TURNS):
            w = 1 / error
            inverse = np.linalg.inv((x.T @ x.multiply(w[:, None])).toarray() + np.diag(1 / spread))
            at = inverse @ (x.T @ (w * self.lag[seen]) + prior / spread)
            rest = self.lag[seen] - x @ at
            error = (HEAVY * self.var[seen] + rest**2) / (HEAVY + 1)
            # A clock that is off is not held back: its prior widens with it (a Cauchy prior).
            spread[:-1] = np.where(is_machine, (loose[:-1] + at[:-1] ** 2 + np.diag(inverse)[:-1]) / 2, loose[:-1])
        self.slope = float(at[-1])
        self.rest = np.zeros(self.lag.size)
        self.rest[seen] = self.lag[seen] - x @ at
        for j, epoch in enumerate(epochs):
            epoch.value, epoch.sd = float(at[j]), float(np.sqrt(inverse[j, j]))

    def _split(self, day: dt.date) -> bool:
        """Begin a new epoch of the clock whose last days go least with those before; say whether there was one.

        One at a time, a site's before a machine's: what a weighbridge's new clock does to the lags of every machine
        that hauls there must not be taken for new clocks of theirs.
        """
        found: list[tuple[bool, float, tuple[str, str], NDArray[np.bool_]]] = []
        for key, course in self.epochs.items():
            rows = np.array(course[-1].rows)
            if self.day[rows[-1]] != np.datetime64(day):
                continue
            for back in range(LOOK_BACK_DAYS):
                recent = self.day[rows] >= np.datetime64(day) - np.timedelta64(back, "D")
                if recent.all():
                    break
                moved = self._moved(rows[~recent], rows[recent])
                if moved > 1:
                    found.append((key[0] == "site", moved, key, recent))
        if not found:
            return False
        _, _, key, recent = max(found, key=lambda f: f[:3])
        course = self.epochs[key]
        rows = np.array(course[-1].rows)
        course[-1].rows = rows[~recent].tolist()
        course.append(_Epoch(*key, rows[recent].tolist()))
        return True

    def _moved(self, before: NDArray[np.int64], after: NDArray[np.int64]) -> float:
        """How far a clock moved, against what it takes to believe that it did."""
        (a, var_a), (b, var_b) = (self._mean(rows) for rows in (before, after))
        return abs(a - b) / max(SMALLEST_MOVE_MIN, MOVED * float(np.sqrt(var_a + var_b)))

    def _mean(self, rows: NDArray[np.int64]) -> tuple[float, float]:
        """Median rest of samples, and its variance."""
        return float(np.median(self.rest[rows])), 1.57 / float(np.sum(1 / self.var[rows]))

    def _level(self) -> float:
        """The usual site's clock: the median over sites, each by its longest epoch."""
        longest = [max(c, key=self._loads).value for (kind, _), c in self.epochs.items() if kind == "site"]
        return float(np.median(longest)) if longest else USUAL_LAG_MIN

    def _loads(self, epoch: _Epoch) -> int:
        return int(self.loads[epoch.rows].sum())

    def _offset(self, epoch: _Epoch) -> tuple[float, float]:
        """Minutes a clock is ahead, and half the width of the 95 % interval."""
        if epoch.kind == "site":
            return epoch.value - self._level(), 1.96 * float(np.hypot(epoch.sd, SITE_SD_MIN))
        return epoch.value, 1.96 * epoch.sd

    def _is_off(self, epoch: _Epoch) -> bool:
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
            return offset_cause(epoch.kind, slack, nothing, self.var[rows])
        right = np.array([self.who["site"][i] not in wrong_sites for i in rows])
        slack = np.where(right, self.lag[rows] - FASTEST_MIN_PER_KM * km, nothing)
        return offset_cause(epoch.kind, slack, self.left[rows], self.var[rows])

    def _on(self, day: dt.date) -> dict[tuple[str, str], _Epoch]:
        """The epoch each clock was in on a day: the last that had begun, or its first."""
        begun = {k: [e for e in c if self.day[e.rows[0]].item() <= day] for k, c in self.epochs.items()}
        return {k: begun[k][-1] if begun[k] else c[0] for k, c in self.epochs.items()}

    def _common(self, seen: pl.DataFrame) -> DayClocks:
        """What samples say of all clocks together."""
        left = seen.filter(pl.col("leave_n") >= FEWEST_TOLD)
        leave_spread = max(1.0, round_to_half(median_or(left["leave_spread_min"], USUAL_LEAVE_SPREAD_MIN)))
        return DayClocks(
            min_per_km=round(self.slope / 0.05) * 0.05,
            spread_min=max(2.0, round_to_half(lag_spread(seen, leave_spread, USUAL_SPREAD_MIN))),
            leave_min=round_to_half(median_or(left["leave_min"], USUAL_LEAVE_MIN)),
            leave_spread_min=leave_spread,
            closure=round(median_or(seen["closure"], 1.0), 2),
        )

    def _taken(self, common: DayClocks, day: dt.date) -> DayClocks:
        now = self._on(day)
        return replace(
            common,
            site_lag_min={s: round(e.value) for (kind, s), e in now.items() if kind == "site"},
            machine_ahead_min={
                m: round(e.value) for (kind, m), e in now.items() if kind == "machine" and self._is_off(e)
            },
        )

    def offsets(self) -> pl.DataFrame:
        """Return every clock's settings over the season.

        Returns:
            `subject_kind, subject_id, from_date, to_date, offset_min, lo95, hi95, n, corrected, cause_code`; minutes
            ahead; a site's clock is compared with the median site, queues between sites widen its interval.
            `corrected` offsets are allowed for by the tracing; `cause_code` is null for all others.
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
