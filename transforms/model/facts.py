"""Input of a fit: usable rows, response scale, measurement variance, design specification."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.config.response_catalogue import RESPONSES, ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.source_tables import BY_LOOKS
from transforms.mixed_model.quasi_likelihood import Counts, starting_predictor, working_response
from transforms.model.campaign_days import add_campaign_day, seasons_of
from transforms.model.design_matrix import DesignSpec, setting_steps
from transforms.model.measurement_error import GRADES, lag1_autocorrelation
from transforms.model.planned_variation import has_enough_by_lot, is_varied
from transforms.model.recent_temp import fill_recent_temp
from transforms.model.response_scale import SMALL_LOSS_T_HA, counts_of, is_measured, measured_columns, ratio_scale
from transforms.model.root_mass import ROOT_MASS_KG, fill_root_mass, terms_with_known_root_mass
from transforms.model.specification import FACTORS, MIN_TRACE_QUALITY, TERMS
from transforms.model.visits import visits_of
from transforms.model.weekly_products import variance_class

MIN_VALUES = 10
"""A setting needs more than this number of values to be a candidate."""
DEFAULT_SAMPLE_KG = 25.0
"""Sample mass assumed for a load without one."""


class MeasuredRows(NamedTuple):
    """Input of one fit.

    Attributes:
        rows: usable facts, sorted by day and key.
        frame: design specification of their columns.
        z: fitted scale of the response, shape (n,).
        classes: class of each row's measurement variance, shape (n,).
        counts: the counts, for a response that is counted: z and classes are then those of a first guess.
    """

    rows: pl.DataFrame
    frame: DesignSpec
    z: Array
    classes: NDArray[np.int64]
    counts: Counts | None


def row_key(facts: pl.DataFrame) -> str:
    """Return the column that identifies a row of facts: a quality check, a dig-behind audit or a load."""
    return next(key for key in ("check_id", "audit_id", "load_id") if key in facts.columns)


def usable_facts(facts: pl.DataFrame, response: str, settings: list[str]) -> pl.DataFrame:
    """Return the rows that a fit can use: complete ones that have the response and were not picked by their looks.

    Args:
        facts: one row per load or audit.
        response: column of the response.
        settings: names of the candidate settings.
    """
    spec = RESPONSES[response]
    if not set(measured_columns(spec)) <= set(facts.columns):
        return facts.clear()
    return complete_facts(facts.filter(is_measured(spec), ~picked_by_looks(facts)), response, settings)


def picked_by_looks(facts: pl.DataFrame) -> pl.Series:
    """Return which rows were measured because of their looks, shape (n,): their selection depends on the outcome."""
    if "sampling_reason" not in facts.columns:
        return pl.repeat(value=False, n=facts.height, dtype=pl.Boolean, eager=True)
    return facts["sampling_reason"].fill_null("") == BY_LOOKS


def complete_facts(facts: pl.DataFrame, response: str, settings: list[str]) -> pl.DataFrame:
    """Return the rows that have all but perhaps the response, by day and key, with `season_start` and `campaign_day`.

    A complete row has machine, field, day and all conditions, at least one setting, and a sufficient trace
    quality. An unknown root mass or ten-day temperature is filled.

    Args:
        facts: one row per load or audit.
        response: column of the response.
        settings: names of the candidate settings.
    """
    known = [n for n in settings if n in facts.columns]
    if not known:
        return facts.clear()
    conditions = [c for c in RESPONSES[response].conditions if c not in {"campaign_day", ROOT_MASS_KG}]
    rows = fill_recent_temp(fill_root_mass(facts)).drop_nulls(
        ["machine_id", "field_id", "shift_date", "clay_pct", *conditions]
    )
    rows = rows.filter(pl.any_horizontal(pl.col(known).is_not_null()))
    if "trace_quality" in rows.columns:
        # A check or plot without a load was observed where the machine worked: nothing was traced.
        rows = rows.filter(pl.col("trace_quality").fill_null(1.0) >= MIN_TRACE_QUALITY)
    key = row_key(rows)
    if "trial_setting" in rows.columns:
        # The plan of a trial gives the exact value of the setting; the trace only estimates it.
        rows = rows.with_columns(
            pl.when(pl.col("trial_setting") == n).then("trial_value").otherwise(n).alias(n) for n in known
        )
    return add_campaign_day(rows.sort("shift_date", key), seasons_of(rows["shift_date"]))


def measuring_variance(rows: pl.DataFrame, response: str, lab_cv_at_25_kg: float) -> Array:
    """Return the variance of z due to measurement alone, shape (n,).

    For a tare, the laboratory's variance by sample mass (delta method); for root loss, the variance of the counts.

    Args:
        rows: facts with `sample_kg` (kg; null counts as 25) for a tare, or with `root_loss_t_ha` and
            `root_loss_log_var` for the root loss.
        response: column of the response.
        lab_cv_at_25_kg: coefficient of variation of the laboratory's dirt tare for a sample of 25 kg, as a fraction;
            not used for the root loss.
    """
    if RESPONSES[response].scale == "log_shifted":
        loss = rows[ROOT_LOSS].to_numpy()
        return np.asarray(rows["root_loss_log_var"].to_numpy() * (loss / (loss + SMALL_LOSS_T_HA)) ** 2)
    kg = rows["sample_kg"].fill_null(DEFAULT_SAMPLE_KG).to_numpy()
    return np.asarray(lab_cv_at_25_kg**2 * 25.0 / kg)


def time_order(rows: pl.DataFrame) -> Array:
    """Return a number that orders the rows in time, shape (n,): the time of lifting, else the position of the row."""
    if "lifted_at" not in rows.columns:
        return np.arange(rows.height, dtype=np.float64)
    return np.asarray(rows["lifted_at"].dt.timestamp("us").fill_null(0).to_numpy(), dtype=np.float64)


def build_design_spec(rows: pl.DataFrame, response: str, catalogue: Catalogue) -> DesignSpec:
    """Return the design specification of the rows: candidate settings, their autocorrelation, seasons and factors.

    Args:
        rows: usable facts, from `usable_facts`.
        response: column of the response.
        catalogue: the settings catalogue; a candidate may affect the response and has more than
            `MIN_VALUES` values in the rows.
    """
    settings = tuple(
        s
        for s in catalogue.values()
        if response in s.responses and s.name in rows.columns and rows[s.name].count() > MIN_VALUES
    )
    factors = {k: keys for k, keys in FACTORS.items() if set(keys) <= set(rows.columns)}
    starts = tuple(rows["season_start"].unique().sort().to_list())
    terms = terms_with_known_root_mass(TERMS[response], rows)
    frame = DesignSpec(
        response,
        terms,
        settings,
        (1.0,) * len(settings),
        starts,
        factors,
        by_lot=has_enough_by_lot(rows, [s.name for s in settings]),
    )
    if not set(rows.columns) >= GRADES:
        return frame
    visit = visits_of(rows)
    steps, observed = setting_steps(rows, frame, visit)
    natural = observed & ~np.column_stack([is_varied(rows, s.name) for s in settings])
    autocorrelation = lag1_autocorrelation(steps, natural, visit, time_order(rows))
    # Rounded to a quarter: one more shift seldom changes it, so the cached weeks stay valid.
    return replace(frame, autocorrelation=tuple((np.round(4 * autocorrelation) / 4).tolist()))


def measured_rows(
    facts: pl.DataFrame, response: str, catalogue: Catalogue, lab_cv_at_25_kg: float
) -> MeasuredRows | None:
    """Return the input of a fit; None if there are too few usable rows.

    Args:
        facts: one row per load or audit, with ids, conditions, settings and the response.
        response: column of the response: a tare in percent of the delivered weight, or the root loss in t/ha.
        catalogue: the settings catalogue.
        lab_cv_at_25_kg: coefficient of variation of the laboratory's dirt tare for a sample of 25 kg, as a fraction.
    """
    candidates = [n for n, s in catalogue.items() if response in s.responses]
    rows = usable_facts(facts, response, candidates)
    spec = RESPONSES[response]
    if rows.height < spec.min_rows:
        return None
    frame, counts = build_design_spec(rows, response, catalogue), counts_of(rows, spec)
    if counts is not None:
        first = working_response(counts, starting_predictor(counts))
        return MeasuredRows(rows, frame, first.z, variance_class(first.variance), counts)
    values = rows[response].to_numpy()
    z = np.log(values + SMALL_LOSS_T_HA) if spec.scale == "log_shifted" else ratio_scale(values)
    classes = variance_class(measuring_variance(rows, response, lab_cv_at_25_kg))
    return MeasuredRows(rows, frame, z, classes, None)
