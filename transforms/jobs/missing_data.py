"""Loads that the fit could use if every ticket named its machine or its truck, by tracing a part of the season again.

The machines that the loads were traced to are taken for the true ones: each ticket without a machine gets its own, or
gets a truck as trucks would have come to that machine. What the grade then is depends on the season's own fields,
machines and lags.
"""

import hashlib
from dataclasses import dataclass, replace

import polars as pl

from transforms.contracts.result_tables import schema_of
from transforms.jobs.trace_field import FieldJob, trace_job
from transforms.jobs.trace_fields import SeasonTrace
from transforms.model.specification import MIN_TRACE_QUALITY
from transforms.trace.invented_trucks import invent_trucks
from transforms.trace.lag_model import LagModel

SOURCES = ("machine_id", "truck_id")
MAX_FIELDS = 8
"""Fields traced again for each source: the season report does not need a closer figure."""
MISSING_DATA = schema_of("missing_data")


@dataclass(frozen=True)
class RetraceJob:
    """Tracing of a field with one source on every ticket.

    Attributes:
        field: the field as it is traced.
        source: `machine_id` or `truck_id`.
        machines: load -> machine that it was traced to.
    """

    field: FieldJob
    source: str
    machines: dict[str, str]


def grades_with_source(job: RetraceJob) -> pl.DataFrame:
    """Return `load_id, site_id, kind_code, claimed_quality` of a field's loads if every ticket had the source."""
    loads = job.field.loads
    if job.source == "machine_id":
        traced = pl.col("load_id").replace_strict(job.machines, default=None, return_dtype=pl.String)
        loads = loads.with_columns(pl.coalesce("machine_id", traced).alias("machine_id"))
    else:
        loads = invent_trucks(loads, job.machines, seed=1)
    grade = trace_job(replace(job.field, loads=loads, step=0)).trace.grade.select(
        "load_id", "kind_code", "claimed_quality"
    )
    return grade.join(loads.select("load_id", "site_id"), on="load_id", how="left", maintain_order="left")


def missing_data(season: SeasonTrace, learned: LagModel) -> pl.DataFrame:
    """Return what each source that tickets lack would be worth: rows of `missing_data`.

    Args:
        season: the tracing of the season.
        learned: its lag model.
    """
    warehouse = season.warehouse
    loads = warehouse.query("missing_source")
    inputs = _fingerprint(warehouse.table("traced_field"))
    rows, calibration = [], season.calibration()
    for source in SOURCES:
        lacking = loads.filter(pl.col("machines") > 1, pl.col(source).is_null())
        if source == "truck_id":
            lacking = lacking.filter(pl.col("machine_id").is_null())
        fields = _sampled(lacking["field_id"].unique().to_list())
        if not fields:
            continue
        sample = lacking.filter(pl.col("field_id").is_in(fields))
        jobs = [
            RetraceJob(season.job_with_clocks(f, learned), source, _machines(loads.filter(pl.col("field_id") == f)))
            for f in fields
        ]
        graded = pl.concat(list(season.executor(grades_with_source, jobs)))
        graded = graded.select("load_id", pl.Series("quality_with", calibration.quality(graded)))
        both = sample.join(graded, on="load_id", how="inner", maintain_order="left")
        now, then = _used_pct(both["trace_quality"]), _used_pct(both["quality_with"])
        season_now = _used_pct(loads["trace_quality"])
        gained = lacking.height / loads.height * (then - now)
        quality = (_mean(both["trace_quality"]), _mean(both["quality_with"]))
        numbers = (
            len(fields),
            both.height,
            now,
            then,
            *quality,
            lacking.height,
            loads.height,
            season_now,
            season_now + gained,
        )
        rows.append((source, *numbers, inputs))
    return pl.DataFrame(rows, schema=MISSING_DATA, orient="row")


def is_current(warehouse_rows: pl.DataFrame, traced: pl.DataFrame) -> bool:
    """Return True if stored rows rest on the present tracing.

    Args:
        warehouse_rows: rows of `missing_data`.
        traced: rows of `traced_field`.
    """
    return warehouse_rows.height > 0 and warehouse_rows["inputs"][0] == _fingerprint(traced)


def _used_pct(quality: pl.Series) -> float:
    """Return the percentage of loads that the fit uses; 0 without loads."""
    return 100 * float((quality >= MIN_TRACE_QUALITY).sum()) / max(quality.len(), 1)


def _mean(quality: pl.Series) -> float:
    return float(quality.sum()) / max(quality.len(), 1)


def _fingerprint(traced: pl.DataFrame) -> str:
    text = traced.select("field_id", "inputs", "used").sort("field_id").write_csv()
    return hashlib.sha256(text.encode()).hexdigest()


def _sampled(fields: list[str]) -> list[str]:
    """Return some fields, chosen by their ids alone."""
    return sorted(fields, key=lambda f: hashlib.sha256(f.encode()).hexdigest())[:MAX_FIELDS]


def _machines(loads: pl.DataFrame) -> dict[str, str]:
    return dict(loads.select("load_id", "traced_machine_id").drop_nulls().iter_rows())
