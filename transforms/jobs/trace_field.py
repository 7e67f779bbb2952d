"""Jobs that sample the lags of one field or trace its loads, each in one process."""

import datetime as dt
import json
from dataclasses import dataclass

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.storage.lake import LakePath, read_frame
from transforms.trace.clock_use import clock_uses
from transforms.trace.day_clocks import DayClocks
from transforms.trace.field_trace import trace_field
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.grade_evidence import grade_evidence
from transforms.trace.lag_samples import lag_samples
from transforms.trace.load_settings import load_settings
from transforms.trace.mass_streams import Signals, field_stretches
from transforms.trace.trace_tables import FieldTrace

BIN_COLUMNS = ("machine_id", "bin_at", "state", "area_ha", "silent_s", "field_id")


@dataclass(frozen=True)
class FieldJob:
    """Input of the tracing of one field.

    Attributes:
        field_id: the field.
        bin_paths: files with the bins of the machine-days in the field.
        loads: its weigh tickets.
        yield_t_ha: its yield, t/ha; None if no field list has it.
        signals: machine -> its emptyings and tank.
        time_zone: time zone of shift dates.
        shift_starts: local time at which a shift starts.
        catalogue: the settings known.
        clocks: clocks and lags of each of its shift days; empty before they are estimated.
        stops: stops of trucks beside machines in the field, and of the same trucks at sites: `truck_id, machine_id,
            site_id, arrived_at, left_at, distance_m, machine_ahead_min`, times beside a machine by its own clock; None
            without positions of trucks.
        step: one of this number of its stretches of work is evidence on the grades; 0 for none.
    """

    field_id: str
    bin_paths: list[LakePath]
    loads: pl.DataFrame
    yield_t_ha: float | None
    signals: dict[str, Signals]
    time_zone: str
    shift_starts: dt.time
    catalogue: Catalogue
    clocks: dict[dt.date, DayClocks]
    stops: pl.DataFrame | None = None
    step: int = 0

    def bins(self, columns: list[str] | None = None) -> pl.DataFrame:
        """Return the field's bins, with all columns or those named."""
        frames = [read_frame(p, columns).filter(pl.col("field_id") == self.field_id) for p in self.bin_paths]
        return pl.concat(frames, how="diagonal") if frames else pl.DataFrame()

    def work(self, bins: pl.DataFrame) -> TracedFieldWork:
        """Return the field's stretches of work and its loads."""
        if not bins.height or self.yield_t_ha is None:
            return TracedFieldWork(self.field_id, [], self.loads, self.stops)
        stretches = field_stretches(bins, self.signals, self.yield_t_ha, self.time_zone, self.shift_starts)
        return TracedFieldWork(self.field_id, stretches, self.loads, self.stops)


def sample_field(job: FieldJob) -> tuple[pl.DataFrame, str]:
    """Return the lag samples of a field and, as JSON, the clocks that its tracing uses."""
    work = job.work(job.bins(list(BIN_COLUMNS)))
    return lag_samples(work), json.dumps(clock_uses(work))


@dataclass(frozen=True)
class TracedField:
    """A traced field.

    Attributes:
        trace: shares, grades and mass balance.
        settings: the settings of its loads.
        replicates: drawn and hidden loads of its stretches of work.
    """

    trace: FieldTrace
    settings: pl.DataFrame
    replicates: pl.DataFrame


def trace_job(job: FieldJob) -> TracedField:
    """Trace a field."""
    bins = job.bins()
    work = job.work(bins)
    found = trace_field(work, job.clocks)
    settings = _settings_of(job.field_id, found, bins, job.catalogue)
    return TracedField(found, settings, grade_evidence(work, job.clocks, job.step))


def setting_columns(catalogue: Catalogue) -> dict[str, pl.DataType | type[pl.DataType]]:
    """Return the columns of `load_setting`: ids, lifting time, and mean and standard deviation of every setting."""
    out: dict[str, pl.DataType | type[pl.DataType]] = dict.fromkeys(("load_id", "field_id", "machine_id"), pl.String)
    out["lifted_at"] = pl.Datetime("us", "UTC")
    return out | {f"{n}{end}": pl.Float64 for n in catalogue for end in ("", "_sd")}


def _settings_of(field_id: str, found: FieldTrace, bins: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return the `load_setting` rows of a field."""
    columns = setting_columns(catalogue)
    if not bins.height:
        return pl.DataFrame(schema=columns)
    means = load_settings(found.load_trace, bins, catalogue).with_columns(pl.lit(field_id).alias("field_id"))
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in columns.items() if name not in means.columns]
    return means.with_columns(absent).select(pl.col(n).cast(kind) for n, kind in columns.items())
