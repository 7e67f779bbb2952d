"""Mean root mass of fields: a condition and a modifier where it is known, and nothing where it is not."""

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import FitSeason, fit_season
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.mixed_model.contrasts import contrast
from transforms.model.audit_plot import ASSUMED_STAND_PER_HA
from transforms.model.condition_terms import CONDITIONS, ConditionCurve, ConditionLine
from transforms.model.effects import effects
from transforms.model.estimate import fit_response
from transforms.model.facts import usable_facts
from transforms.model.fit_result import ResponseFit
from transforms.model.modifiers import Modifier
from transforms.model.response_scale import pct_from_scale, ratio_scale
from transforms.model.root_mass import fill_root_mass, terms_with_known_root_mass
from transforms.model.setting_terms import SettingBy
from transforms.model.specification import TERMS

GAP = "separator_1_height_mm"
ON_DIRT, ON_GAP = -0.10, 0.06
"""Planted change of the log dirt ratio, and of the effect of a step of the gap, per 0.15 kg of root mass."""
BY_MASS = SettingBy(GAP, Modifier("root mass"))


@pytest.fixture(scope="module")
def season(catalogue: Catalogue) -> FitSeason:
    return fit_season(31, "two soils", catalogue, machines=8, days=14)


@pytest.fixture(scope="module")
def facts(season: FitSeason) -> pl.DataFrame:
    """Return the loads, with a root mass of each field that does not depend on its yield."""
    fields = season.facts["field_id"].unique(maintain_order=True)
    mass = np.random.default_rng(3).normal(0.82, 0.13, fields.len())
    known = pl.DataFrame({"field_id": fields, "root_mass_kg": mass, "root_mass_source": "root_check"})
    return season.facts.join(known, on="field_id", maintain_order="left")


def standard(facts: pl.DataFrame) -> np.ndarray:
    return CONDITIONS["root_mass_kg"].standard(facts["root_mass_kg"].to_numpy())


@pytest.fixture(scope="module")
def planted(facts: pl.DataFrame, catalogue: Catalogue) -> ResponseFit:
    """Return the fit of loads whose dirt falls with root mass and whose gap acts less on large roots."""
    steps = (facts[GAP].to_numpy() - 45.0) / catalogue[GAP].step
    z = ratio_scale(facts[DIRT].to_numpy()) + standard(facts) * (ON_DIRT + ON_GAP * steps)
    fit = fit_response(facts.with_columns(pl.Series(DIRT, pct_from_scale(z))), DIRT, catalogue, 0.1)
    assert fit is not None
    return fit


def interval(fit: ResponseFit, term: SettingBy | ConditionLine) -> tuple[float, float]:
    weights = np.zeros(fit.width)
    weights[fit.index_of(term)] = 1.0
    return contrast(fit.reml, weights).interval()


def test_a_planted_condition_and_modifier_are_recovered(planted):
    low, high = interval(planted, ConditionLine("root_mass_kg"))
    assert low < ON_DIRT < high < 0
    low, high = interval(planted, BY_MASS)
    assert 0 < low < ON_GAP < high


def test_a_gap_has_another_effect_on_large_roots_than_on_small_ones(planted, facts, season, catalogue):
    """The effect of a step over all loads is still that of the mechanics and the modifier together."""
    table = effects(planted, catalogue, 30).filter(
        (pl.col("setting") == GAP) & pl.col("wetness_class").is_null() & pl.col("soil_class").is_null()
    )
    truth = float(np.mean(season.effect[GAP] + ON_GAP * standard(facts)))
    assert table["lo95"][0] < 100 * np.expm1(truth) < table["hi95"][0]


@pytest.mark.slow
def test_an_irrelevant_root_mass_does_no_harm(facts, season, catalogue):
    """Every effect over all loads is covered as without root mass, and its standard error grows by less than 5 %."""
    both = (facts, facts.drop("root_mass_kg", "root_mass_source"))
    fits = [f for f in (fit_response(f, DIRT, catalogue, 0.1) for f in both) if f is not None]
    with_mass, without = (effects(f, catalogue, 30).filter(pl.col("wetness_class").is_null()) for f in fits)
    low, high = interval(fits[0], ConditionLine("root_mass_kg"))
    assert low < 0 < high
    joined = with_mass.join(without, on=["setting", "wetness_class", "soil_class"], nulls_equal=True, suffix="_without")
    all_loads = joined.filter(pl.col("soil_class").is_null())
    for row in all_loads.iter_rows(named=True):
        truth = 100 * np.expm1(season.effect[row["setting"]].mean())
        assert (row["lo95"] < truth < row["hi95"]) == (row["lo95_without"] < truth < row["hi95_without"]), row
        wider = (row["hi95"] - row["lo95"]) / (row["hi95_without"] - row["lo95_without"])
        assert wider < 1.05, row


def without_root_mass(facts: pl.DataFrame) -> bool:
    rows = usable_facts(facts, DIRT, [GAP])
    terms = terms_with_known_root_mass(TERMS[DIRT], rows)
    names = set(terms.conditions) | set(terms.shrunk_by)
    assert names | {"root_mass_kg", "root mass"} == {*TERMS[DIRT].conditions, *TERMS[DIRT].shrunk_by}
    assert ("root_mass_kg" in names) == ("root mass" in names)
    return "root_mass_kg" not in names


@pytest.mark.parametrize(
    ("changed", "left_out"),
    [
        ({}, False),
        ({"root_mass_kg": pl.lit(0.8)}, True),
        ({"root_mass_kg": pl.col("yield_t_ha") / 95}, True),
        ({"root_mass_source": pl.lit(None, dtype=pl.String)}, True),
        ({"root_mass_source": pl.when(pl.col("field_id") < "F010").then(pl.lit("audit"))}, True),
    ],
    ids=["known", "constant", "yield over equal plants per ha", "unknown", "known for few fields"],
)
def test_root_mass_is_left_out_if_little_is_known_of_it(facts, changed, left_out):
    assert without_root_mass(facts.with_columns(**changed)) == left_out


def test_facts_without_the_column_are_fitted_without_it(season):
    assert without_root_mass(season.facts)


def test_an_unknown_root_mass_is_the_yield_over_the_usual_stand():
    rows = pl.DataFrame(
        {
            "field_id": ["F1", "F1", "F2", "F3"],
            "yield_t_ha": [72.0, 72.0, 80.0, 88.0],
            "root_mass_kg": [0.9, 0.9, 1.0, None],
            "root_mass_source": ["tare", "tare", "audit", None],
        }
    )
    assert fill_root_mass(rows)["root_mass_kg"].to_list() == pytest.approx([0.9, 0.9, 1.0, 1.1])
    unknown = rows.with_columns(root_mass_kg=None, root_mass_source=pl.lit(None, dtype=pl.String))
    assert fill_root_mass(unknown)["root_mass_kg"][3] == pytest.approx(88_000 / ASSUMED_STAND_PER_HA)


def test_curves_of_root_mass_stay_within_plausible_masses():
    curve = ConditionCurve("root_mass_kg")
    assert np.array_equal(curve.at({"root_mass_kg": np.array([1.6])}), curve.at({"root_mass_kg": np.array([3.9])}))
