"""Data of the footer and of the section on data health, shared by all pages."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class FooterData:
    """Contents of a page's footer.

    Attributes:
        counts: the row of `data_health`.
        fits: rows of `fit_run`, in order of responses.
    """

    counts: dict[str, Any]
    fits: pl.DataFrame


@dataclass(frozen=True)
class HealthData:
    """Contents of the section on data health.

    Attributes:
        counts: the row of `data_health`.
        arrivals: files and rows received by kind, rows of `arrival`.
        rejections: rejected rows by file and reason, rows of `rejection`.
        mass_closure: weighed and lifted mass of each field, machine and day, largest difference first.
        sensors: flagged readings by sensor, rows of `sensor_health`.
        machine_faults: persistent faults of machines, rows of `machine_fault`.
        clock_offsets: rows of `clock_finding`.
        audit_findings: audits whose numbers cannot be of their plots, rows of `audit_finding`.
    """

    counts: dict[str, Any]
    arrivals: pl.DataFrame
    rejections: pl.DataFrame
    mass_closure: pl.DataFrame
    sensors: pl.DataFrame
    machine_faults: pl.DataFrame
    clock_offsets: pl.DataFrame
    audit_findings: pl.DataFrame


def load_footer(warehouse: Warehouse) -> FooterData:
    """Return the contents of the footer."""
    return FooterData(
        counts=warehouse.query("data_health").row(0, named=True),
        fits=warehouse.table("fit_run").sort("response"),
    )


def load_health(warehouse: Warehouse) -> HealthData:
    """Return the contents of the section on data health."""
    return HealthData(
        counts=warehouse.query("data_health").row(0, named=True),
        arrivals=warehouse.query("arrival"),
        rejections=warehouse.query("rejection"),
        mass_closure=warehouse.query("mass_closure"),
        sensors=warehouse.query("sensor_health"),
        machine_faults=warehouse.query("machine_fault"),
        clock_offsets=warehouse.query("clock_finding"),
        audit_findings=warehouse.table("audit_finding").sort("file", "reason_code"),
    )
