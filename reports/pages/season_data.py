"""Data of the season report and of the list of all loads."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from reports.sections.district_map_data import DistrictMapData, load_district_map
from reports.sections.health_data import FooterData, HealthData, load_footer, load_health
from reports.sections.outcome_data import OutcomeData, load_outcome
from reports.sections.season_effects_data import SeasonEffectsData, load_season_effects
from reports.sections.season_worth_data import SeasonGuideData, load_season_guide
from transforms.config.workspace import Season
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class OverviewData:
    """Contents of the lead and the first section of the season report.

    Attributes:
        total: the row of `season_total`.
        costs: cost by cause, rows of `season_cost`.
        changes: change of each response since the previous season, rows of `season_change`.
        days: loads, dirt and weather by day, rows of `season_day`.
        classes: loads and dirt by class of conditions, rows of `season_class`.
    """

    total: dict[str, Any]
    costs: pl.DataFrame
    changes: pl.DataFrame
    days: pl.DataFrame
    classes: pl.DataFrame


@dataclass(frozen=True)
class OpenQuestionsData:
    """Contents of the section on open questions.

    Attributes:
        estimates: effect of each setting by conditions, or the reason why there is none, rows of `effect_class`.
        suggested_trials: rows of `trial_wanted`.
        trial_results: rows of `trial_result`.
    """

    estimates: pl.DataFrame
    suggested_trials: pl.DataFrame
    trial_results: pl.DataFrame


@dataclass(frozen=True)
class SeasonPageData:
    """Contents of the season report.

    Attributes:
        overview: season totals, costs, days and classes of conditions.
        district: fields, machines and factories for the map of the season.
        causes: causes of dirt and losses.
        guide: setting guide and its savings.
        piles: storage ledger, rows of `pile_day`.
        open_questions: effects that cannot be estimated yet, and trials.
        parts: comparisons of fitted parts, rows of `part_effect`.
        outcome: outcome of the advice of the season.
        missing: what data that tickets lack would be worth, rows of `missing_data`.
        followed_months: advised changes by month, rows of `uptake_period`.
        health: data received and its quality.
        footer: fits and row counts.
    """

    overview: OverviewData
    district: DistrictMapData
    causes: SeasonEffectsData
    guide: SeasonGuideData
    piles: pl.DataFrame
    open_questions: OpenQuestionsData
    parts: pl.DataFrame
    outcome: OutcomeData
    missing: pl.DataFrame
    followed_months: pl.DataFrame
    health: HealthData
    footer: FooterData


@dataclass(frozen=True)
class SeasonLoadsPageData:
    """Contents of the list of all loads.

    Attributes:
        loads: rows of `season_load`.
        footer: fits and row counts.
    """

    loads: pl.DataFrame
    footer: FooterData


def _load_overview(warehouse: Warehouse, zone: str) -> OverviewData:
    return OverviewData(
        total=warehouse.query("season_total").row(0, named=True),
        costs=warehouse.table("season_cost"),
        changes=warehouse.table("season_change"),
        days=warehouse.query("season_day", zone=zone),
        classes=warehouse.query("season_class"),
    )


def _load_open_questions(warehouse: Warehouse) -> OpenQuestionsData:
    return OpenQuestionsData(
        estimates=warehouse.query("effect_class"),
        suggested_trials=warehouse.table("trial_wanted"),
        trial_results=warehouse.table("trial_result"),
    )


def load_season_page(warehouse: Warehouse, season: Season) -> SeasonPageData:
    """Return the contents of the season report."""
    return SeasonPageData(
        overview=_load_overview(warehouse, season.time_zone),
        district=load_district_map(warehouse, season),
        causes=load_season_effects(warehouse),
        guide=load_season_guide(warehouse),
        piles=warehouse.query("pile_day"),
        open_questions=_load_open_questions(warehouse),
        parts=warehouse.table("part_effect"),
        outcome=load_outcome(warehouse),
        missing=warehouse.table("missing_data"),
        followed_months=warehouse.query("uptake_period", period="month"),
        health=load_health(warehouse),
        footer=load_footer(warehouse),
    )


def load_season_loads_page(warehouse: Warehouse) -> SeasonLoadsPageData:
    """Return the contents of the list of all loads."""
    return SeasonLoadsPageData(loads=warehouse.query("season_load"), footer=load_footer(warehouse))
