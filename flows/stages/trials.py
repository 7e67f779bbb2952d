"""Trial stages: plan a trial and read its loads."""

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.stages.context import open_warehouse, require_facts
from flows.stages.trace import build_facts
from reports.language.bidi import without_isolates
from reports.language.reason_text import format_reason
from reports.language.translate import use_language
from reports.pages.trial_sheet import write_trial_sheet
from transforms.config.workspace import Workspace
from transforms.contracts.reason import Reason
from transforms.contracts.result_tables import schema_of
from transforms.storage.lock import lock_workspace
from transforms.storage.warehouse import Warehouse
from transforms.trial.analysis import TrialEstimate, analyse_trial, find_loads
from transforms.trial.design import describe_trial_days, design_trial
from transforms.trial.measurements import deciding_response, measured_responses
from transforms.trial.plan import Trial, read_trial, trial_toml
from transforms.trial.size import required_days


@dataclass(frozen=True)
class TrialAsked:
    """Request for a trial; None means that advice or data decide."""

    setting: str | None
    machine: str | None
    field: str | None
    to: float | None
    day: str | None
    detect_pct: float | None


@dataclass(frozen=True)
class PlannedTrial:
    """Planned trial and the files written for it.

    Attributes:
        trial: the plan.
        file: TOML file of the plan, where weigh tickets are added afterwards.
        sheet: instruction sheet for the operator.
        duration: how long the trial takes and what one day of loads can detect, as a reason.
    """

    trial: Trial
    file: Path
    sheet: Path
    duration: Reason


@dataclass(frozen=True)
class AnalysedTrial:
    """Trial with its estimates, the deciding response first, and the loads found for it."""

    trial: Trial
    results: list[TrialEstimate]
    loads: pl.DataFrame


def plan_trial(workspace: Workspace, asked: TrialAsked) -> PlannedTrial:
    """Plan a trial and write its file and its operator sheet."""
    season = workspace.season
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        require_facts(warehouse, workspace)
        facts = warehouse.table("load_fact")
        trial = design_trial(
            asked.__dict__,
            facts,
            warehouse.table("advice"),
            warehouse.table("fit_run"),
            season,
            sorted(p.stem for p in workspace.trials.glob("*.toml")),
            str(workspace.root),
        )
    workspace.trials.mkdir(exist_ok=True)
    path = workspace.trials / f"{trial.trial_id}.toml"

    def sentence_of(why: Reason) -> str:
        with use_language(season.locale, season.texts):
            return without_isolates(format_reason(why, season.catalogue))

    path.write_text(trial_toml(trial, season.catalogue, sentence_of), "utf-8")
    days = required_days(len(trial.order), facts, trial.machine_id)
    sheet = write_trial_sheet(trial, days, season, workspace.out)
    return PlannedTrial(trial, path, sheet, describe_trial_days(trial, facts))


def read_trial_loads(workspace: Workspace, trial_id: str) -> AnalysedTrial:
    """Find the loads of a trial, analyse all that is measured on them, and store both for the next fit."""
    catalogue = workspace.season.catalogue
    trial = read_trial(workspace.trials / f"{trial_id}.toml", catalogue)
    with lock_workspace(workspace.root, "trial read"), open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace, "audit_fact", "root_check_fact")
        facts = warehouse.table("load_fact")
        loads = find_loads(trial, facts)
        measured = measured_responses(_facts_of_loads(warehouse, facts), loads["load_id"])
        results = analyse_trial(trial, loads, facts, measured, deciding_response(catalogue[trial.setting]))
        head = {
            "trial_id": trial.trial_id,
            "machine_id": trial.machine_id,
            "field_id": trial.field_id,
            "shift_date": trial.shift_date,
            "setting": trial.setting,
            "value_a": trial.values[0],
            "value_b": trial.values[1],
        }
        is_other = pl.col("trial_id") != trial.trial_id
        other_results, other_loads = (
            warehouse.table("trial_result").filter(is_other),
            warehouse.table("trial_load").filter(is_other),
        )
        result_rows = pl.DataFrame([{**head, **r.columns} for r in results], schema=schema_of("trial_result"))
        other_loads = other_loads.join(loads, on="load_id", how="anti")
        with warehouse.transaction():
            warehouse.replace("trial_result", pl.concat([other_results, result_rows.select(other_results.columns)]))
            warehouse.replace("trial_load", pl.concat([other_loads, loads.select(other_loads.columns)]))
            build_facts(warehouse, workspace.season)
    return AnalysedTrial(trial, results, loads)


def _facts_of_loads(warehouse: Warehouse, loads: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the tables of facts with the load of each row: of tares, of quality checks and of plots."""
    links = warehouse.query("trial_measured_load").rename({"load_id": "traced_load_id"})
    facts = {"load_fact": loads}
    for name, key in (("root_check_fact", "check_id"), ("audit_fact", "audit_id")):
        traced = links.filter(facts=name).select(pl.col("row_id").alias(key), "traced_load_id")
        rows = warehouse.table(name).join(traced, on=key, how="left", maintain_order="left")
        ticket = [pl.col("load_id")] if "load_id" in rows.columns else []
        facts[name] = rows.with_columns(pl.coalesce(*ticket, "traced_load_id").alias("load_id"))
    return facts
