"""Stages of a run as plain functions that read tables, call transforms and write tables; they do not use Prefect."""

from flows.stages.advise import advise, guide, keep
from flows.stages.context import open_warehouse, require_facts, run_checks
from flows.stages.fit import Fits, check_fits, compare, fit, forget_products
from flows.stages.ingest import Examined, examine_files, receive_files
from flows.stages.telemetry import bin_telemetry, roll_up
from flows.stages.trace import build_facts, conditions, course, marts, trace
from flows.stages.trials import TrialAsked, plan_trial, read_trial_loads

__all__ = [
    "Examined",
    "Fits",
    "TrialAsked",
    "advise",
    "bin_telemetry",
    "build_facts",
    "check_fits",
    "compare",
    "conditions",
    "course",
    "examine_files",
    "fit",
    "forget_products",
    "guide",
    "keep",
    "marts",
    "open_warehouse",
    "plan_trial",
    "read_trial_loads",
    "receive_files",
    "require_facts",
    "roll_up",
    "run_checks",
    "trace",
]
