"""Outcome stages: what machines did with the advice, and what it saved."""

import polars as pl

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse, require_facts
from reports.language.translate import mark
from transforms.advice.cost import soil_cost_per_t
from transforms.config.workspace import Season, Workspace
from transforms.jobs.advice_uptake import season_uptake
from transforms.outcome.realised import add_contrast, advice_calibration, realised_saving, shift_units
from transforms.outcome.setting_slopes import setting_slopes
from transforms.outcome.verdicts import advice_verdicts
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse
from transforms.trace.haul_distance import add_haul_distance


def assess_uptake(workspace: Workspace, reporter: Reporter) -> None:
    """Compare the advice in force with the settings that machines ran at and with the soil in their loads."""
    with open_warehouse(workspace) as warehouse, reporter.stage(mark("Comparing advice with what machines did")):
        require_facts(warehouse, workspace)
        rows = season_uptake(warehouse, Lake(workspace.lake), workspace.season)
        with warehouse.transaction():
            warehouse.replace("advice_uptake", rows)
            moves = warehouse.query("judged_move")
            units = _realised_shifts(warehouse, moves, workspace.season)
            warehouse.replace("realised_shift", add_contrast(units))
            warehouse.replace("realised_saving", realised_saving(units))
            slopes = pl.concat([advice_calibration(units), setting_slopes(moves, units)])
            warehouse.replace("advice_calibration", slopes)
            worked = warehouse.table("load_fact").select("shift_date").unique()
            in_force = warehouse.query("advice_in_force").join(worked, on="shift_date", how="semi")
            warehouse.replace("advice_verdict", advice_verdicts(in_force))


def _realised_shifts(warehouse: Warehouse, moves: pl.DataFrame, season: Season) -> pl.DataFrame:
    """Return the moves of each machine and shift with the measured loads of the advised field."""
    loads = warehouse.table("load_fact").join(
        moves.select("machine_id", "shift_date", "field_id").unique(),
        on=["machine_id", "shift_date", "field_id"],
        how="semi",
        maintain_order="left",
    )
    placed = add_haul_distance(loads, warehouse.table("field"), season.sites)
    cost = pl.Series("soil_cost_per_t", [soil_cost_per_t(km, season.prices) for km in placed["km"]], pl.Float64)
    return shift_units(moves, placed.with_columns(cost))
