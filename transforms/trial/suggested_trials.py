"""What the data cannot tell yet of the settings' effects on dirt, and the split-run trials that would settle it."""

import polars as pl

from transforms.config.settings_catalogue import DIRT, Catalogue
from transforms.trial.design import USUAL_DETECT_PCT
from transforms.trial.size import TrialNoise, trial_size

POWER = 0.8
SMALLEST_DETECT_PCT = 3.0
WIDE_PCT = 6.0
"""An interval wider than this that holds nought leaves open whether the setting matters."""
CONFOUNDED, WIDE, UNTRIED = "confounded", "too wide to tell", "not tried enough"
WANTED_SCHEMA = {
    "setting": pl.String,
    "wetness_class": pl.String,
    "why": pl.String,
    "change_pct": pl.Float64,
    "lo95": pl.Float64,
    "hi95": pl.Float64,
    "n": pl.Int64,
    "step": pl.Float64,
    "unit": pl.String,
    "machine_id": pl.String,
    "detect_pct": pl.Float64,
    "pairs": pl.Int64,
    "machine_days": pl.Float64,
    "says": pl.String,
}


def _why(r: dict[str, object]) -> str | None:
    if r["change_pct"] is None:
        return UNTRIED
    if str(r["says"]).startswith("confounded"):
        return CONFOUNDED
    low, high = float(r["lo95"]), float(r["hi95"])  # type: ignore[arg-type]
    return WIDE if low < 0 < high and high - low > WIDE_PCT else None


def _where(facts: pl.DataFrame) -> dict[str, str]:
    """Wetness class -> the machine that lifted most loads there."""
    by = (
        facts.drop_nulls(["machine_id", "wetness_class"])
        .group_by("wetness_class", "machine_id", maintain_order=True)
        .agg(pl.len().alias("loads"))
        .sort("loads", "machine_id", descending=[True, False])
        .unique("wetness_class", keep="first", maintain_order=True)
    )
    return {r["wetness_class"]: r["machine_id"] for r in by.iter_rows(named=True)}


def suggest_trials(
    effects: pl.DataFrame, facts: pl.DataFrame, residual_sd: float, lab_cv_at_25_kg: float, catalogue: Catalogue
) -> pl.DataFrame:
    """Return a row for each setting and class of wetness whose effect on dirt is open, with the trial that would tell.

    A trial is planned to find the larger end of the present interval, in whole percent as the command of `trial plan`
    on the page names it, or a change of 5 % where there is none yet, with a chance of 80 in 100.

    Args:
        effects: `effect`.
        facts: `machine_id, shift_date, wetness_class, sample_kg` of all loads of the season.
        residual_sd: what loads of one visit differ by, log scale.
        lab_cv_at_25_kg: the laboratory's, of a sample of 25 kg.
        catalogue: the settings known.
    """
    noise, places = TrialNoise(residual_sd, lab_cv_at_25_kg), _where(facts)
    open_ = effects.filter(
        (pl.col("response") == DIRT) & pl.col("soil_class").is_null() & pl.col("wetness_class").is_not_null()
    ).sort("setting", "wetness_class")
    rows = []
    for r in open_.iter_rows(named=True):
        why = _why(r)
        if why is None or r["wetness_class"] not in places or catalogue[r["setting"]].nature != "numeric":
            continue
        ends = [abs(v) for v in (r["lo95"], r["hi95"]) if v is not None]
        detect = float(round(max(*ends, SMALLEST_DETECT_PCT))) if ends else USUAL_DETECT_PCT
        machine = places[r["wetness_class"]]
        size = trial_size(facts, machine, detect, noise, POWER)
        rows.append(
            {
                **{k: r[k] for k in WANTED_SCHEMA if k in r},
                "why": why,
                "machine_id": machine,
                "pairs": size.pairs,
                "detect_pct": detect,
                "machine_days": None if size.days is None else float(size.days),
            }
        )
    order = pl.col("why").replace_strict({CONFOUNDED: 0, WIDE: 1, UNTRIED: 2}, return_dtype=pl.Int8)
    table = pl.DataFrame(rows, schema=WANTED_SCHEMA)
    return table.sort(order, (pl.col("hi95") - pl.col("lo95")).fill_null(0.0) * -1, "setting", "wetness_class")
