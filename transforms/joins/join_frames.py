"""Input of the checks of joins: the keys and figures of every source, with the mapping and file they came through."""

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class JoinFrames:
    """Keys and figures of all sources.

    Attributes:
        loads: tickets that count: `load_id, field_id, machine_id, truck_id, site_id, weighed_at, delivered_t, clean_t,
            day, mapping, file, file_at`; `day` is the shift day of the departure, else of the weighing.
        tares: samples that count: `sample_id, load_id, issued_at, mapping, file, file_at`.
        fields: the field list: `field_id, area_ha, yield_t_ha, mapping, file`.
        machines: the machine list: `machine_id`.
        logged: machine-days of the logs: `machine_id, day, worked, covered, mapping, file`; `worked` is true for a day
            whose work is not known yet, `covered` the share of its time that has records.
        worked_fields: fields that a machine worked in, by day: `machine_id, day, field_id`.
        balance: mass by field and machine: `machine_id, field_id, weighed_t, lifted_t`.
        audits: rows of `sql/queries/audit_ground.sql` with `mapping`.
        settings: settings of traced loads: `machine_id` and one column per setting.
        truck_days: days with positions of trucks: `truck_id, day, mapping, file`.
    """

    loads: pl.DataFrame
    tares: pl.DataFrame
    fields: pl.DataFrame
    machines: pl.DataFrame
    logged: pl.DataFrame
    worked_fields: pl.DataFrame
    balance: pl.DataFrame
    audits: pl.DataFrame
    settings: pl.DataFrame
    truck_days: pl.DataFrame


@dataclass(frozen=True)
class Paths:
    """Paths that remedies name.

    Attributes:
        folder: the workspace.
        inbox: its inbox.
    """

    folder: str
    inbox: str
