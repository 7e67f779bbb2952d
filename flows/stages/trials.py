"""Trial stages: plan a trial and read its loads."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.stages.context import open_warehouse, require_facts
from flows.stages.trace import build_facts
from reports.language.bidi import without_isolates
from reports.language.reason_text import format_reason
from reports.language.translate import use_language
from reports.pages.part_trial_sheet import write_part_trial_sheet
from reports.pages.trial_sheet import write_trial_sheet
from transforms.config.response_catalogue import DIRT
from transforms.config.workspace import Season, Workspace
from transforms.contracts.reason import Reason
from transforms.contracts.result_tables import schema_of
from transforms.storage.lock import lock_workspace
from transforms.storage.warehouse import Warehouse
from transforms.trial.analysis import TrialEstimate, analyse_trial, find_loads
from transforms.trial.design import describe_trial_days, design_trial, first_day
from transforms.trial.measurements import deciding_response, measured_responses
from transforms.trial.part_design import PartTrialAsked, PartTrialBasis, describe_part_trial, design_part_trial
from transforms.trial.part_plan import PartTrial, is_part_trial, part_trial_toml, read_part_trial
from transforms.trial.part_reading import PART_VALUES, analyse_part_trial, dirt_given_conditions, find_part_loads
from transforms.trial.part_size import DayNoise
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
class PartsAsked:
    """Request for a trial of fitted parts; None means that the suggested trials or the data decide.

    Attributes:
        place: place of the parts.
        part: part on trial.
        machine: the machines, joined by commas.
        topsoil: topsoil on whose days the trial runs.
        day: first day, YYYY-MM-DD.
        detect_pct: change of dirt to detect, percent.
    """

    place: str
    part: str | None
    machine: str | None
    topsoil: str | None
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
class PlannedPartTrial:
    """Planned trial of fitted parts and the files written for it.

    Attributes:
        trial: the plan.
        file: TOML file of the plan, where dates are added.
        sheet: sheet for the workshop.
        size: its days, changes and workshop cost, as a reason.
    """

    trial: PartTrial
    file: Path
    sheet: Path
    size: Reason


@dataclass(frozen=True)
class AnalysedTrial:
    """Trial with its estimates, the deciding response first, and the loads found for it."""

    trial: Trial | PartTrial
    results: list[TrialEstimate]
    loads: pl.DataFrame

    @property
    def parts(self) -> tuple[str | None, str | None]:
        """Parts of arms A and B; None for a trial of a setting."""
        return self.trial.parts if isinstance(self.trial, PartTrial) else (None, None)


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
            _taken(workspace),
            str(workspace.root),
        )
    path = _write_plan(workspace, trial.trial_id, trial_toml(trial, season.catalogue, _sentences(season)))
    days = required_days(len(trial.order), facts, trial.machine_id)
    sheet = write_trial_sheet(trial, days, season, workspace.out)
    return PlannedTrial(
        trial, path, sheet, describe_trial_days(trial, facts, is_flag=season.catalogue[trial.setting].is_flag)
    )


def _taken(workspace: Workspace) -> list[str]:
    """Return the names of existing trials."""
    return sorted(p.stem for p in workspace.trials.glob("*.toml"))


def _write_plan(workspace: Workspace, trial_id: str, text: str) -> Path:
    """Write the file of a plan and return its path."""
    workspace.trials.mkdir(exist_ok=True)
    path = workspace.trials / f"{trial_id}.toml"
    path.write_text(text, "utf-8")
    return path


def _sentences(season: Season) -> Callable[[Reason], str]:
    """Return the function that writes a reason in the language of the workspace."""

    def sentence_of(why: Reason) -> str:
        with use_language(season.locale, season.texts):
            return without_isolates(format_reason(why, season.catalogue))

    return sentence_of


def plan_part_trial(workspace: Workspace, asked: PartsAsked) -> PlannedPartTrial:
    """Plan a trial of fitted parts and write its file and its sheet for the workshop."""
    season = workspace.season
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        require_facts(warehouse, workspace)
        facts = warehouse.table("load_fact")
        basis = PartTrialBasis(
            facts,
            warehouse.table("trial_wanted"),
            warehouse.table("machine_setup"),
            DayNoise.of_fit(warehouse.table("fit_run"), season.lab_cv_at_25_kg, str(workspace.root)),
            season.trial_power,
            season.time_zone,
            _taken(workspace),
        )
    machines = tuple(m.strip() for m in (asked.machine or "").split(",") if m.strip())
    day = first_day(asked.day, facts)
    request = PartTrialAsked(asked.place, asked.part, machines, asked.topsoil, day, asked.detect_pct)
    trial = design_part_trial(request, basis)
    path = _write_plan(workspace, trial.trial_id, part_trial_toml(trial, _sentences(season)))
    sheet = write_part_trial_sheet(trial, season, workspace.out)
    return PlannedPartTrial(trial, path, sheet, describe_part_trial(trial, season.prices.parts_change))


def read_trial_loads(workspace: Workspace, trial_id: str, *, wait_s: float = 0.0) -> AnalysedTrial:
    """Find the loads of a trial, analyse all that is measured on them, and store both for the next fit."""
    path = workspace.trials / f"{trial_id}.toml"
    trial = read_part_trial(path) if is_part_trial(path) else read_trial(path, workspace.season.catalogue)
    with lock_workspace(workspace.root, "trial read", wait_s), open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace, "audit_fact", "root_check_fact")
        if isinstance(trial, PartTrial):
            analysed, head = _read_parts(warehouse, trial, workspace.season)
        else:
            analysed, head = _read_setting(warehouse, trial, workspace.season)
        is_other = pl.col("trial_id") != trial_id
        other_results, other_loads = (
            warehouse.table("trial_result").filter(is_other),
            warehouse.table("trial_load").filter(is_other),
        )
        rows = [{"trial_id": trial_id, "shift_date": trial.shift_date, **head, **r.columns} for r in analysed.results]
        result_rows = pl.DataFrame(rows, schema=schema_of("trial_result"))
        other_loads = other_loads.join(analysed.loads, on="load_id", how="anti")
        with warehouse.transaction():
            warehouse.replace("trial_result", pl.concat([other_results, result_rows.select(other_results.columns)]))
            warehouse.replace("trial_load", pl.concat([other_loads, analysed.loads.select(other_loads.columns)]))
            build_facts(warehouse, workspace.season)
    return analysed


def _read_setting(warehouse: Warehouse, trial: Trial, season: Season) -> tuple[AnalysedTrial, dict[str, object]]:
    """Return a trial of a setting with its estimates, and its columns of `trial_result`."""
    facts = warehouse.table("load_fact")
    loads = find_loads(trial, facts)
    measured = measured_responses(_facts_of_loads(warehouse, facts), loads["load_id"])
    results = analyse_trial(trial, loads, facts, measured, deciding_response(season.catalogue[trial.setting]))
    head = {"machine_id": trial.machine_id, "field_id": trial.field_id, "setting": trial.setting}
    values = dict(zip(("value_a", "value_b"), trial.values, strict=True))
    return AnalysedTrial(trial, results, loads), {**head, **values}


def _read_parts(warehouse: Warehouse, trial: PartTrial, season: Season) -> tuple[AnalysedTrial, dict[str, object]]:
    """Return a trial of fitted parts with its estimates, and its columns of `trial_result`.

    Dirt counts of the loads that the last fit expects something of: the days after it are read after the next one.
    """
    facts = warehouse.table("load_fact").join(warehouse.table("load_class"), on="load_id", maintain_order="left")
    loads = find_part_loads(trial, facts, warehouse.table("machine_setup"), season.time_zone)
    measured = measured_responses(_facts_of_loads(warehouse, facts), loads["load_id"])
    dirt = dirt_given_conditions(warehouse.table("expected_load"))
    measured = pl.concat([dirt, measured.filter(pl.col("response") != DIRT)])
    head = {"machine_id": ", ".join(trial.orders), "field_id": "", "setting": trial.setting}
    values = dict(zip(("value_a", "value_b"), PART_VALUES, strict=True))
    parts = dict(zip(("part_a", "part_b"), trial.parts, strict=True))
    columns: dict[str, object] = {**head, **values, **parts, "wetness_class": trial.wetness_class}
    return AnalysedTrial(trial, analyse_part_trial(trial, loads, measured), loads), columns


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
