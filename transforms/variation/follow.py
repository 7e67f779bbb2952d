"""Loads of a variation plan as they were lifted: traced values, and the pairs that count as varied by plan."""

import polars as pl

from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.variation.plan import LOADS_PER_PAIR, MachinePlan, VariationPlan, VariedSetting

MIN_SHARE = 0.5
"""Share of the planned difference that a pair's traced difference must reach to count (common practice, no source)."""
COUNTED = reason("pair_counts")
VARIED_SCHEMA = schema_of("varied_load")


def find_varied_loads(plan: VariationPlan, facts: pl.DataFrame) -> pl.DataFrame:
    """Return the plan's loads with planned and traced values: `varied_load`.

    They are the first loads of each machine in the plan's shift, in the order of lifting.

    Args:
        plan: the plan.
        facts: `load_fact`.

    Returns:
        One row per load and setting of the plan, values in the unit of the setting; null where tracing found none.
    """
    rows = [row for machine in plan.machines for row in _machine_rows(plan, machine, facts)]
    return pl.DataFrame(rows, schema=VARIED_SCHEMA)


def _machine_rows(plan: VariationPlan, machine: MachinePlan, facts: pl.DataFrame) -> list[dict[str, object]]:
    """Return the rows of one machine."""
    own = facts.filter((pl.col("machine_id") == machine.machine_id) & (pl.col("shift_date") == plan.shift_date))
    loads = own.sort("lifted_at", "load_id").head(len(machine.loads)).to_dicts()
    rows: list[dict[str, object]] = []
    for start in range(0, len(loads), LOADS_PER_PAIR):
        pair = loads[start : start + LOADS_PER_PAIR]
        for k, setting in enumerate(machine.settings):
            planned = [machine.loads[start + i][k] for i in range(len(pair))]
            traced = [load.get(setting.name) for load in pair]
            why = _reason(pair, planned, traced)
            rows += [
                {
                    "plan_id": plan.plan_id,
                    "load_id": load["load_id"],
                    "machine_id": machine.machine_id,
                    "field_id": load["field_id"],
                    "shift_date": plan.shift_date,
                    "position": start + i,
                    "variation_block": plan.block(machine, start),
                    "setting": setting.name,
                    "planned_value": planned[i],
                    "traced_value": traced[i],
                    "is_followed": _is_followed(planned[i], traced[i], setting),
                    "is_counted": why == COUNTED,
                    **why.columns,
                }
                for i, load in enumerate(pair)
            ]
    return rows


def _is_followed(planned: float, traced: float | None, setting: VariedSetting) -> bool | None:
    """Return True if the traced value is closer to its own level than to the other one; None if it is unknown."""
    if traced is None:
        return None
    other = setting.low_value + setting.high_value - planned
    return abs(traced - planned) < abs(traced - other)


def _reason(pair: list[dict[str, object]], planned: list[float], traced: list[float | None]) -> Reason:
    """Return the reason why a pair counts or does not count for one setting."""
    if len(pair) < LOADS_PER_PAIR:
        return reason("pair_incomplete")
    if pair[0]["field_id"] != pair[1]["field_id"]:
        return reason("pair_across_fields")
    first, second = traced
    if first is None or second is None:
        return reason("pair_untraced")
    share = (second - first) / (planned[1] - planned[0])
    return COUNTED if share >= MIN_SHARE else reason("pair_difference_small")
