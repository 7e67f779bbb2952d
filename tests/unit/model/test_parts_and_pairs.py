"""Pairs of settings and fitted parts: planted ones are found, others are not, and parts are never certain."""

import datetime as dt
import json

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import fit_season
from transforms.arrays import narrow
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.classes import WET_FROM
from transforms.contracts.source_tables import MachineSetup
from transforms.model.effect_curves import setting_curves
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.fitted_parts import LARGE_GAP, PLACES, part_effects, parts_in_force
from transforms.model.pair_tests import declared_pairs
from transforms.model.response_scale import pct_from_scale, ratio_scale
from transforms.model.setting_pairs import setting_pairs

PLANTED, EFFECT = ("cleaner_1_speed_rpm", "separator_1_height_mm"), 0.04
PART_EFFECT = -0.15
ZONE = "Europe/Prague"


@pytest.fixture(scope="module")
def facts(catalogue: Catalogue) -> pl.DataFrame:
    return fit_season(31, "two soils", catalogue, machines=8, days=14).facts


def fitted(facts: pl.DataFrame, change: np.ndarray, catalogue: Catalogue) -> ResponseFit:
    """Return the fit of facts whose dirt is changed on the fitted scale."""
    z = ratio_scale(facts[DIRT].to_numpy()) + change
    found = fit_response(facts.with_columns(pl.Series(DIRT, pct_from_scale(z))), DIRT, catalogue, 0.1)
    assert found is not None
    return found


def steps(facts: pl.DataFrame, name: str, catalogue: Catalogue) -> np.ndarray:
    values = facts[name].to_numpy()
    return np.asarray((values - values.mean()) / catalogue[name].step)


def test_a_planted_pair_is_found_and_no_other(facts, catalogue):
    product = steps(facts, PLANTED[0], catalogue) * steps(facts, PLANTED[1], catalogue)
    fit = fitted(facts, EFFECT * product, catalogue)
    table = setting_pairs(fit, 30)
    assert {(r["setting"], r["other_setting"]) for r in table.iter_rows(named=True)} == set(declared_pairs(fit))
    own = table.row(
        by_predicate=(pl.col("setting") == PLANTED[0]) & (pl.col("other_setting") == PLANTED[1]), named=True
    )
    assert own["reason_code"] == "interaction"
    assert own["lo95"] < 100 * np.expm1(EFFECT) < own["hi95"]
    assert table["reason_code"].to_list().count("interaction") == 1


def setups(changes: dict[str, dt.date]) -> pl.DataFrame:
    """Return machine lists: bars from the start, tines from the day of a machine's change on."""
    rows = []
    for k in range(8):
        machine = f"M{k}"
        rows.append((machine, dt.datetime(2025, 1, 1, tzinfo=dt.UTC), "bars"))
        if machine in changes:
            # Local midnight is the evening before in UTC: parts count from the local day.
            moment = dt.datetime.combine(changes[machine], dt.time(), tzinfo=dt.UTC) - dt.timedelta(hours=2)
            rows.append((machine, moment, "tines"))
    return pl.DataFrame(rows, schema=["machine_id", "valid_from_at", "cleaning_elements"], orient="row").with_columns(
        pl.col("valid_from_at").dt.cast_time_unit("us")
    )


def _named(facts: pl.DataFrame) -> pl.DataFrame:
    """Return facts whose machines are M0 to M7."""
    return facts.with_columns(("M" + (pl.col("machine_id").rank("dense") - 1).cast(pl.String)).alias("machine_id"))


def first_day(rows: pl.DataFrame) -> dt.date:
    return narrow(rows["shift_date"].min(), dt.date)


def test_parts_count_from_their_local_day(facts):
    rows = _named(facts)
    change = first_day(rows) + dt.timedelta(days=5)
    found = rows.with_columns(parts_in_force(rows, setups({"M0": change}), ZONE).alias("part"))
    own = found.filter(pl.col("machine_id") == "M0").with_columns((pl.col("shift_date") >= change).alias("late"))
    assert set(own.select("late", "part").rows()) == {(False, "bars"), (True, "tines")}
    assert found.filter(pl.col("machine_id") != "M0")["part"].unique().to_list() == ["bars"]


def test_a_planted_effect_of_parts_is_covered_and_called_confounded(facts, catalogue):
    rows = _named(facts)
    first = first_day(rows)
    changes = {f"M{k}": first + dt.timedelta(days=4 + k) for k in range(5)}
    fitted_parts = parts_in_force(rows, setups(changes), ZONE)
    fit = fitted(rows, PART_EFFECT * (fitted_parts == "tines").to_numpy(), catalogue)
    row = part_effects(fit, setups(changes), ZONE).row(0, named=True)
    assert (row["part"], row["compared_with"], row["machines"]) == ("bars", "tines", 5)
    assert row["lo95"] < 100 * np.expm1(-PART_EFFECT) < row["hi95"]
    is_wetter = abs(row["wetness_gap"]) > LARGE_GAP
    assert row["reason_code"] == ("part_confounded_wetness" if is_wetter else "part_confounded")


def test_every_stage_with_a_speed_has_a_column_of_its_parts(catalogue):
    stages = {n.removesuffix("_speed_rpm") for n in catalogue if n.startswith("cleaner_") and n.endswith("_speed_rpm")}
    assert stages == set(PLACES) - {"cleaning"}
    assert set(PLACES.values()) == {c for c in MachineSetup.column_names() if c.endswith("_elements")}


@pytest.mark.parametrize("place", ["cleaner_1", "cleaner_4"])
def test_parts_of_one_stage_are_compared_in_each_wetness_class(facts, catalogue, place):
    """Tines on one cleaner act on wet days alone."""
    rows = _named(facts)
    first = first_day(rows)
    listed = setups({f"M{k}": first + dt.timedelta(days=4 + k) for k in range(8)})
    by_stage = listed.rename({"cleaning_elements": PLACES[place]})
    is_wet = (rows["topsoil_wetness"] >= WET_FROM).to_numpy()
    tines = (parts_in_force(rows, listed, ZONE) == "tines").to_numpy()
    table = part_effects(fitted(rows, -0.3 * (tines & is_wet), catalogue), by_stage, ZONE)
    assert set(table["place"]) == {place}
    known = table.drop_nulls("change_pct").rows_by_key("wetness_class", named=True, unique=True)
    assert known["wet"]["lo95"] < 100 * np.expm1(0.3) < known["wet"]["hi95"]
    assert known["wet"]["lo95"] > 0
    others = [known[c] for c in ("dry", "moist") if c in known]
    assert others
    for row in others:
        assert row["lo95"] < 0 < row["hi95"]
        assert row["n"] < known[None]["n"]


def test_one_machine_says_nothing_about_parts(facts, catalogue):
    rows = _named(facts)
    change = {"M0": first_day(rows) + dt.timedelta(days=6)}
    row = part_effects(fitted(rows, np.zeros(rows.height), catalogue), setups(change), ZONE).row(0, named=True)
    assert (row["machines"], row["change_pct"], row["reason_code"]) == (1, None, "part_one_machine")
    none = part_effects(fitted(rows, np.zeros(rows.height), catalogue), setups({}), ZONE)
    assert none.height == 0


def test_the_curve_of_a_setting_in_a_pair_is_that_at_the_usual_value_of_the_other(facts, catalogue):
    """The other setting is moved away from its mean on wet days, so that the pair bends the curves by class."""
    one, other = PLANTED
    is_wet = (facts["topsoil_wetness"] >= WET_FROM).to_numpy()
    moved = facts.with_columns(pl.col(other) + pl.Series(4 * catalogue[other].step * is_wet))
    product = steps(moved, one, catalogue) * steps(moved, other, catalogue)
    curves = setting_curves(fitted(moved, EFFECT * product, catalogue), 30).filter("tried")
    plain = setting_curves(fitted(moved, 0 * product, catalogue), 30).filter("tried")
    usual = moved.filter(pl.Series(is_wet))[other].median()
    own = curves.filter(setting=one, wetness_class="wet")
    assert set(own["reason_code"]) == {"change_beside_usual"}
    (beside,) = json.loads(own["reason_args"][0])["beside"]
    assert (beside["code"], beside["args"]["setting"]) == ("setting_at_usual", other)
    assert beside["args"]["value"] == pytest.approx(usual, rel=1e-4)
    added = EFFECT * (usual - moved[other].mean()) / catalogue[other].step
    before = plain.filter(setting=one, wetness_class="wet")
    change = (own["mean"] / 100).log1p() - (before["mean"] / 100).log1p()
    slope = np.polyfit(own["value"].to_numpy() / catalogue[one].step, change.to_numpy(), 1)[0]
    assert slope == pytest.approx(added, rel=0.2)
    assert set(curves.filter(~pl.col("setting").is_in(PLANTED))["reason_code"]) == {"change_from_usual"}
