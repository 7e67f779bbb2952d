"""Result tables of the tracing of one field, and the rows collected for them load by load."""

import datetime as dt
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.contracts.reason import Reason
from transforms.contracts.result_tables import schema_of
from transforms.trace.truck_home import Agreement
from transforms.trace.truck_keeping import GANG, KEEPING, STRAYS, VEHICLE

Array = NDArray[np.float64]

ROUNDING = 1e-5
"""Deviations from a whole load up to this are rounding errors and leave no remainder."""
GRADE = schema_of("load_trace_grade", without=("field_id",))
BALANCE = schema_of("mass_balance")


@dataclass(frozen=True)
class FieldTrace:
    """Result of tracing a field.

    Attributes:
        load_trace: `load_id, machine_id, bin_at, share, share_sd`; machine and bin are null on the untraced remainder.
        grade: `load_id, kind_code, trace_quality, claimed_quality, traced_share, machine_chance, reason_code,
            reason_args`; `claimed_quality` is the tracing's own estimate before calibration.
        balance: `machine_id, field_id, shift_date, weighed_t, lifted_t, closure`.
        keeping: `field_id, shift_date, kind_code, stray_share, log_likelihood`: evidence on trucks of a stretch.
    """

    load_trace: pl.DataFrame
    grade: pl.DataFrame
    balance: pl.DataFrame
    keeping: pl.DataFrame


class BinShares(NamedTuple):
    """Shares of one load in the bins of one machine.

    Attributes:
        load_id: the load.
        machine_id: the machine.
        bin_us: bins, UTC microseconds, shape (k,).
        share: share of the load in each bin, shape (k,).
        share_sd: standard deviation of the share, shape (k,); NaN if unknown.
    """

    load_id: str
    machine_id: str
    bin_us: NDArray[np.int64]
    share: Array
    share_sd: Array


class Grade(NamedTuple):
    """One row of `GRADE`."""

    load_id: str
    kind_code: str
    trace_quality: float
    claimed_quality: float
    traced_share: float
    machine_chance: float
    reason: Reason


@dataclass
class TraceRows:
    """Shares, grades and mass balances of a field, collected load by load."""

    shares: list[BinShares] = field(default_factory=list)
    grades: list[Grade] = field(default_factory=list)
    balance: list[tuple[object, ...]] = field(default_factory=list)
    keeping: list[tuple[object, ...]] = field(default_factory=list)

    def add_untraced(self, loads: list[str], why: Reason) -> None:
        """Add the grades of loads that cannot be traced.

        Args:
            loads: ids of the loads.
            why: reason why they cannot be traced.
        """
        self.grades += [Grade(load, "untraced", 0.0, 0.0, 0.0, 0.0, why) for load in loads]

    def add_keeping(self, field_id: str, shift_date: dt.date, agreement: Agreement | None) -> None:
        """Add the evidence of a stretch on how far trucks and gangs keep to machines.

        Args:
            field_id: the field.
            shift_date: the shift day.
            agreement: what its association found; None if its trucks say nothing.
        """
        if agreement is None:
            return
        for kind, evidence in ((VEHICLE, agreement.vehicle_evidence), (GANG, agreement.gang_evidence)):
            if evidence is not None:
                self.keeping += [(field_id, shift_date, kind, s, e) for s, e in zip(STRAYS, evidence, strict=True)]

    def tables(self, loads: NDArray[np.str_]) -> FieldTrace:
        """Return the result tables of a field with these loads."""
        rows = [(*g[:-1], g.reason.code, g.reason.args) for g in self.grades]
        grade = pl.DataFrame(rows, schema=GRADE, orient="row").sort("load_id")
        keeping = pl.DataFrame(self.keeping, schema=KEEPING, orient="row")
        return FieldTrace(_with_remainders(self.shares, loads), grade, _balance_table(self.balance), keeping)


def _with_remainders(rows: list[BinShares], loads: NDArray[np.str_]) -> pl.DataFrame:
    """Return one frame of all shares and the untraced remainder of each load, so that its shares sum to 1."""
    sizes = np.array([r.bin_us.size for r in rows], dtype=np.int64)
    row_of = np.repeat(np.arange(sizes.size), sizes)
    index_of = {name: k for k, name in enumerate(loads.tolist())}
    load = np.array([index_of[r.load_id] for r in rows], dtype=np.int64)[row_of]
    at = np.concatenate([r.bin_us for r in rows]) if rows else np.zeros(0, dtype=np.int64)
    share = np.concatenate([r.share for r in rows]) if rows else np.zeros(0)
    share_sd = np.concatenate([r.share_sd for r in rows]) if rows else np.zeros(0)
    # Summed sequentially, so that the same data give the same bits; a rounding error is not a remainder.
    traced = np.bincount(load, weights=share, minlength=loads.size)
    is_whole = np.abs(traced - 1) < ROUNDING
    share = share / np.where(is_whole, traced, 1.0)[load]
    frame = pl.DataFrame(
        {
            "load_id": pl.Series([r.load_id for r in rows], dtype=pl.String).gather(row_of),
            "machine_id": pl.Series([r.machine_id for r in rows], dtype=pl.String).gather(row_of),
            "bin_at": pl.Series(at, dtype=pl.Int64).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
            "share": pl.Series(share, dtype=pl.Float64),
            "share_sd": pl.Series(share_sd, dtype=pl.Float64).fill_nan(None),
        }
    )
    partial = np.flatnonzero(~is_whole & (1 - traced > ROUNDING))
    remainder = pl.DataFrame(
        {"load_id": loads[partial].tolist(), "share": 1 - traced[partial]},
        schema={"load_id": pl.String, "share": pl.Float64},
    )
    return pl.concat([frame, remainder], how="diagonal").sort("load_id", "machine_id", "bin_at")


def _balance_table(rows: list[tuple[object, ...]]) -> pl.DataFrame:
    """Return the mass balance with its closure, weighed over lifted mass; null if nothing was lifted."""
    names = [n for n in BALANCE if n != "closure"]
    table = pl.DataFrame(rows, schema={n: BALANCE[n] for n in names}, orient="row")
    lifted = pl.when(pl.col("lifted_t") > 0).then(pl.col("lifted_t"))
    return table.with_columns((pl.col("weighed_t") / lifted).alias("closure"))
