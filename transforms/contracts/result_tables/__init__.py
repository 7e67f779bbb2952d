"""Result tables, each defined once: columns, types and columns that may be null.

The computation builds its frames with `schema_of`, and a test compares every table with its statement in
`sql/results/`, which the warehouse creates it from.
"""

import dataframely as dy
import polars as pl

from transforms.contracts.result_tables.advice import (
    Advice,
    Guide,
    GuideClass,
    GuideCurve,
    GuideWorth,
    NextCondition,
    PartAdvice,
    SeasonCost,
    Storability,
    WeatherFilled,
)
from transforms.contracts.result_tables.comparison import Benchmark, SeasonChange, TrialLoad, TrialResult, TrialWanted
from transforms.contracts.result_tables.conditions import FieldHour
from transforms.contracts.result_tables.fit import (
    Confounding,
    Curve,
    Effect,
    ExpectedLoad,
    FitCheck,
    FitPosterior,
    FitRun,
    InteractionGain,
    LastSeason,
    LoadWhy,
    PartEffect,
    SettingPair,
    SettingReliability,
    VarianceShare,
)
from transforms.contracts.result_tables.harvest_checks import AuditLoss, RootCheckOutcome
from transforms.contracts.result_tables.outcome import (
    AdviceCalibration,
    AdviceUptake,
    AdviceVerdict,
    RealisedSaving,
    RealisedShift,
)
from transforms.contracts.result_tables.telemetry import (
    MachineDay,
    SensorFault,
    SetPointOffset,
    SettingDecision,
    UnloadEvent,
)
from transforms.contracts.result_tables.trace import (
    AuditFinding,
    ClockOffset,
    LagSample,
    LoadTrace,
    LoadTraceGrade,
    MassBalance,
    MissingData,
    TraceReplicate,
    TruckKeeping,
    TruckStop,
)
from transforms.contracts.result_tables.variation import VariationOption, VariedLoad

RESULT_TABLES: dict[str, type[dy.Schema]] = {
    "advice": Advice,
    "advice_calibration": AdviceCalibration,
    "advice_uptake": AdviceUptake,
    "advice_verdict": AdviceVerdict,
    "audit_finding": AuditFinding,
    "audit_loss": AuditLoss,
    "benchmark": Benchmark,
    "clock_offset": ClockOffset,
    "confounding": Confounding,
    "curve": Curve,
    "effect": Effect,
    "expected_load": ExpectedLoad,
    "field_hour": FieldHour,
    "fit_check": FitCheck,
    "fit_posterior": FitPosterior,
    "fit_run": FitRun,
    "guide": Guide,
    "guide_class": GuideClass,
    "guide_curve": GuideCurve,
    "guide_worth": GuideWorth,
    "interaction_gain": InteractionGain,
    "lag_sample": LagSample,
    "last_season": LastSeason,
    "load_trace": LoadTrace,
    "load_trace_grade": LoadTraceGrade,
    "trace_replicate": TraceReplicate,
    "load_why": LoadWhy,
    "machine_day": MachineDay,
    "mass_balance": MassBalance,
    "missing_data": MissingData,
    "next_condition": NextCondition,
    "realised_saving": RealisedSaving,
    "realised_shift": RealisedShift,
    "root_check_outcome": RootCheckOutcome,
    "season_change": SeasonChange,
    "season_cost": SeasonCost,
    "sensor_fault": SensorFault,
    "part_advice": PartAdvice,
    "part_effect": PartEffect,
    "set_point_offset": SetPointOffset,
    "setting_decision": SettingDecision,
    "setting_pair": SettingPair,
    "setting_reliability": SettingReliability,
    "storability": Storability,
    "trial_load": TrialLoad,
    "trial_result": TrialResult,
    "trial_wanted": TrialWanted,
    "truck_keeping": TruckKeeping,
    "truck_stop": TruckStop,
    "unload_event": UnloadEvent,
    "variance_share": VarianceShare,
    "variation_option": VariationOption,
    "varied_load": VariedLoad,
    "weather_filled": WeatherFilled,
}
"""Table -> its definition."""


def schema_of(table: str, without: tuple[str, ...] = ()) -> pl.Schema:
    """Return the columns and types of a result table.

    Args:
        table: name of the table.
        without: columns that a later step adds.

    Raises:
        KeyError: there is no such result table.
    """
    columns = RESULT_TABLES[table].columns()
    return pl.Schema({name: column.dtype for name, column in columns.items() if name not in without})
