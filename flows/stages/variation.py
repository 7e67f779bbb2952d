"""Variation stages: plan the variation of the coming shift, and read the loads of a plan."""

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.stages.advise import read_season_scale
from flows.stages.context import open_warehouse, require_facts
from flows.stages.trace import build_facts
from reports.language.bidi import without_isolates
from reports.language.reason_text import format_reason
from reports.language.translate import use_language
from reports.page.formats import HTML, OutputFormats
from reports.pages.variation_card import write_variation_cards
from transforms.config.workspace import Season, Workspace
from transforms.contracts.reason import Reason
from transforms.errors import WorkspaceError
from transforms.storage.lock import lock_workspace
from transforms.storage.warehouse import Warehouse
from transforms.trial.size import TrialNoise
from transforms.variation.design import Designed, SeasonFacts, design_plan
from transforms.variation.follow import find_varied_loads
from transforms.variation.plan import VariationPlan, plan_toml, read_plan


@dataclass(frozen=True)
class PlannedVariation:
    """Design of a shift, and the files written for it.

    Attributes:
        designed: the plan, and all that it leaves out.
        file: TOML file of the plan; None if nothing is worth varying.
        cards: cards for the operators, one page per machine, and their PDF if asked for.
    """

    designed: Designed
    file: Path | None
    cards: tuple[Path, ...]


@dataclass(frozen=True)
class FollowedVariation:
    """Plan with the loads found for it."""

    plan: VariationPlan
    loads: pl.DataFrame


def plan_variation(workspace: Workspace, machine: str | None, formats: OutputFormats = HTML) -> PlannedVariation:
    """Plan the variation of the coming shift and write its file and its cards.

    Args:
        workspace: the workspace.
        machine: the only machine to plan for; None for all.
        formats: other formats of the cards.

    Raises:
        WorkspaceError: the season does not allow it, there is no advice for a coming shift or for the machine, or the
            shift is planned already.
    """
    season, where = workspace.season, str(workspace.root)
    if not season.may_vary:
        raise WorkspaceError(
            "designed variation is switched off",
            where=str(workspace.root / "season.toml"),
            remedy="set enabled = true under [vary] once the operators agree",
        )
    existing = sorted(workspace.variations.glob("*.toml"))
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        require_facts(warehouse, workspace)
        options = warehouse.table("variation_option")
        if machine is not None and not (options := options.filter(pl.col("machine_id") == machine)).height:
            raise WorkspaceError(
                "there is no advice for machine '{machine}'",
                where=where,
                remedy="name a machine that worked in the last shift",
                machine=machine,
            )
        facts = _season_facts(warehouse, season)
    designed = design_plan(options, facts, [p.stem for p in existing], where)
    plan = designed.plan
    if plan is None:
        return PlannedVariation(designed, None, ())
    _require_unplanned(plan, existing, season)
    workspace.variations.mkdir(exist_ok=True)
    path = workspace.variations / f"{plan.plan_id}.toml"

    def sentence_of(why: Reason) -> str:
        with use_language(season.locale, season.texts):
            return without_isolates(format_reason(why, season.catalogue))

    # Mode x: a plan that exists is never overwritten, not even by a run at the same moment.
    with path.open("x", encoding="utf-8") as file:
        file.write(plan_toml(plan, season.catalogue, sentence_of))
    return PlannedVariation(designed, path, tuple(write_variation_cards(plan, season, workspace.out, formats)))


def _season_facts(warehouse: Warehouse, season: Season) -> SeasonFacts:
    """Return the loads and fits on which the worth of a plan rests."""
    noise = {
        r["response"]: TrialNoise(float(r["residual_sd"]), season.lab_cv_at_25_kg)
        for r in warehouse.table("fit_run").drop_nulls("residual_sd").iter_rows(named=True)
    }
    return SeasonFacts(warehouse.table("load_fact"), noise, read_season_scale(warehouse, season))


def _require_unplanned(plan: VariationPlan, existing: list[Path], season: Season) -> None:
    """Raise an error if an existing plan is of the same shift and of a machine of this plan."""
    machines = {m.machine_id for m in plan.machines}
    for path in existing:
        other = read_plan(path, season.catalogue)
        if other.shift_date == plan.shift_date and machines & {m.machine_id for m in other.machines}:
            raise WorkspaceError(
                "the shift of {day} is planned already",
                where=str(path),
                remedy="use its cards, or remove the file if nobody has started",
                day=plan.shift_date.isoformat(),
            )


def read_varied_loads(workspace: Workspace, plan_id: str) -> FollowedVariation:
    """Find the loads of a plan, and store them for the next fit."""
    plan = read_plan(workspace.variations / f"{plan_id}.toml", workspace.season.catalogue)
    with lock_workspace(workspace.root, "vary read"), open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace)
        loads = find_varied_loads(plan, warehouse.table("load_fact"))
        others = warehouse.table("varied_load").filter(pl.col("plan_id") != plan.plan_id)
        others = others.join(loads, on="load_id", how="anti")
        with warehouse.transaction():
            warehouse.replace("varied_load", pl.concat([others, loads.select(others.columns)]))
            build_facts(warehouse, workspace.season)
    return FollowedVariation(plan, loads)
