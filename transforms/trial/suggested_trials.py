"""Open questions on the settings' effects on dirt, and the split-run trials that would answer them."""

import polars as pl

from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.trial.design import USUAL_DETECT_PCT
from transforms.trial.size import TrialNoise, trial_size

SMALLEST_DETECT_PCT = 3.0
WIDE_PCT = 6.0
"""A wider interval that contains zero leaves open if the setting matters."""
CONFOUNDED, WIDE, UNTRIED = reason("open_confounded"), reason("open_wide_interval"), reason("open_not_tried")
"""Reasons why an effect is an open question, the most urgent first."""
WANTED_SCHEMA = schema_of("trial_wanted")


def _why(r: dict[str, object]) -> Reason | None:
    """Return the reason why an effect is an open question; None if it is not."""
    if r["change_pct"] is None:
        return UNTRIED
    if r["reason_code"] == "effect_confounded":
        return CONFOUNDED
    low, high = to_float(r["lo95"]), to_float(r["hi95"])
    return WIDE if low < 0 < high and high - low > WIDE_PCT else None


def _machine_with_most_loads(facts: pl.DataFrame) -> dict[str, str]:
    """Return, by wetness class, the machine that lifted the most loads in it."""
    busiest = (
        facts.drop_nulls(["machine_id", "wetness_class"])
        .group_by("wetness_class", "machine_id", maintain_order=True)
        .agg(pl.len().alias("loads"))
        .sort("loads", "machine_id", descending=[True, False])
        .unique("wetness_class", keep="first", maintain_order=True)
    )
    return {r["wetness_class"]: r["machine_id"] for r in busiest.iter_rows(named=True)}


def suggest_trials(
    effects: pl.DataFrame, facts: pl.DataFrame, noise: TrialNoise, power: float, catalogue: Catalogue
) -> pl.DataFrame:
    """Return a row for each setting and wetness class whose effect on dirt is an open question, with its trial.

    A trial is designed to detect the larger end of the current interval, rounded to whole percent as in the
    `trial plan` command on the page, or a change of 5 % if there is no interval yet.

    Args:
        effects: `effect`.
        facts: `machine_id, shift_date, wetness_class, sample_kg` of all loads of the season.
        noise: residual standard deviation within visits and error of the laboratory.
        power: probability of detecting a change.
        catalogue: the settings known.
    """
    machine_in = _machine_with_most_loads(facts)
    open_effects = effects.filter(
        (pl.col("response") == DIRT) & pl.col("soil_class").is_null() & pl.col("wetness_class").is_not_null()
    ).sort("setting", "wetness_class")
    rows = []
    for r in open_effects.iter_rows(named=True):
        why = _why(r)
        if why is None or r["wetness_class"] not in machine_in or catalogue[r["setting"]].nature != "numeric":
            continue
        ends = [abs(v) for v in (r["lo95"], r["hi95"]) if v is not None]
        detect = float(round(max(*ends, SMALLEST_DETECT_PCT))) if ends else USUAL_DETECT_PCT
        machine = machine_in[r["wetness_class"]]
        size = trial_size(facts, machine, detect, noise, power)
        rows.append(
            {
                **{k: r[k] for k in WANTED_SCHEMA if k in r},
                **why.columns,
                "machine_id": machine,
                "pairs": size.pairs,
                "detect_pct": detect,
                "machine_days": None if size.days is None else float(size.days),
            }
        )
    places = {why.code: place for place, why in enumerate((CONFOUNDED, WIDE, UNTRIED))}
    order = pl.col("reason_code").replace_strict(places, return_dtype=pl.Int8)
    table = pl.DataFrame(rows, schema=WANTED_SCHEMA)
    return table.sort(order, (pl.col("hi95") - pl.col("lo95")).fill_null(0.0) * -1, "setting", "wetness_class")
