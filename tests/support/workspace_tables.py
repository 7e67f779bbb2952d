"""Every table of a workspace, for comparing two runs that are to end the same."""

from dataclasses import dataclass

import polars as pl

from transforms.config.workspace import Workspace
from transforms.operations.export import exported_tables
from transforms.storage.lake import Lake, read_frame
from transforms.storage.warehouse import Warehouse

BESIDE = ("binned_day", "unload_event", "lag_sample", "received_tare", "guide_curve", "load_setting")
HISTORY = (
    "advice_issued",
    "advice_uptake",
    "realised_shift",
    "realised_saving",
    "advice_calibration",
    "advice_verdict",
)
"""Tables that record each run, as the run log does, so that they depend on when runs took place."""


def every_table(workspace: Workspace, *, telemetry: bool = False) -> dict[str, pl.DataFrame]:
    """Every exported table and what they rest on, in one order, without the times of the runs themselves."""
    lake = Lake(workspace.lake)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        out = {n: t for n, t in exported_tables(warehouse, lake).items() if n not in HISTORY}
        recorded = {s[:16] for s in warehouse.table("source_file")["source_sha256"]}
        out |= {name: warehouse.table(name) for name in BESIDE if warehouse.has(name)}
    if telemetry:
        for key, paths in lake.machine_days(recorded).items():
            out["/".join(key)] = pl.concat([read_frame(p) for p in paths])
    # The worth of a trial depends on the uptake of advice, and so on when runs took place.
    whole = {n: t.drop("received_at", "fitted_at", "worth", strict=False) for n, t in out.items()}
    return {n: t.sort([c for c, kind in t.schema.items() if kind != pl.List]) for n, t in whole.items()}


def assert_same(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> None:
    assert one.keys() == other.keys()
    for name, table in one.items():
        assert table.equals(other[name]), name


@dataclass(frozen=True)
class Whole:
    """A workspace in order and its tables."""

    workspace: Workspace
    tables: dict[str, pl.DataFrame]
