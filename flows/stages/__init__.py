"""Stages of a run as plain functions that read tables, call transforms and write tables; they do not use Prefect."""

from flows.stages.advise import advise_machines, assess_storability, compute_guide
from flows.stages.context import open_warehouse, priced_season, require_facts, run_checks
from flows.stages.fit import (
    Fits,
    check_fits,
    clear_product_cache,
    compare_subjects,
    fit_responses,
    keep_fits,
    kept_fits,
)
from flows.stages.ingest import Examined, examine_files, monitor_joins, receive_files
from flows.stages.outcome import assess_uptake
from flows.stages.telemetry import bin_telemetry, delete_expired_records
from flows.stages.trace import (
    assess_missing_data,
    build_facts,
    build_marts,
    compute_conditions,
    compute_shift_timeline,
    trace_loads,
)
from flows.stages.trials import PartsAsked, TrialAsked, plan_part_trial, plan_trial, read_trial_loads
from flows.stages.variation import plan_variation, read_varied_loads

__all__ = [
    "Examined",
    "Fits",
    "PartsAsked",
    "TrialAsked",
    "advise_machines",
    "assess_missing_data",
    "assess_storability",
    "assess_uptake",
    "bin_telemetry",
    "build_facts",
    "build_marts",
    "check_fits",
    "clear_product_cache",
    "compare_subjects",
    "compute_conditions",
    "compute_guide",
    "compute_shift_timeline",
    "delete_expired_records",
    "examine_files",
    "fit_responses",
    "keep_fits",
    "kept_fits",
    "monitor_joins",
    "open_warehouse",
    "plan_part_trial",
    "plan_trial",
    "plan_variation",
    "priced_season",
    "read_trial_loads",
    "read_varied_loads",
    "receive_files",
    "require_facts",
    "run_checks",
    "trace_loads",
]
