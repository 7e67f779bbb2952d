"""Sensors that a fault rule would flag on most of their machine's days: a question for a person, not a fault."""

import polars as pl

from transforms.storage.warehouse import Warehouse
from transforms.telemetry.sensor_activity import questioned_sensors


def sensor_questions(warehouse: Warehouse) -> pl.DataFrame:
    """Return the sensors whose flags are questions: `machine_id, setting, fault_code, flagged, days`.

    Args:
        warehouse: the warehouse; `flagged` of `days` machine-days would be flagged.
    """
    names = warehouse.table("machine_day").group_by("machine", maintain_order=True).agg(pl.col("machine_id").min())
    asked = questioned_sensors(warehouse.table("sensor_activity"))
    # Before the first run has ended, machine-days have no id yet.
    named = asked.join(names, on="machine", how="left")
    name = pl.coalesce("machine_id", "machine").alias("machine_id")
    return named.select(name, "setting", "fault_code", "flagged", "days").sort("machine_id", "setting")
