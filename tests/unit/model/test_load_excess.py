"""Decomposition of a load's difference from its expected value, compared with a calculation on the fitted scale."""

import numpy as np
import polars as pl
import pytest

from transforms.model.load_excess import excess_contributions

SOURCES = ("soil", "share_depth_cm", "machine", "field", "lab and unexplained")
KINDS = ("condition", "setting", "machine", "field", "unexplained")


def scale(pct: float) -> float:
    return float(np.log(pct / (100 - pct)))


def tare(z: float) -> float:
    return float(100 / (1 + np.exp(-z)))


def load_why(typical: float, parts: dict[str, float]) -> tuple[pl.DataFrame, float]:
    """Return rows of `load_why` with parts given on the fitted scale, and the observed dirt."""
    z = scale(typical) + sum(parts.values())
    rate = (tare(z) - typical) / (z - scale(typical)) if z != scale(typical) else typical * (100 - typical) / 100
    points = [parts[s] * rate for s in SOURCES]
    return pl.DataFrame({"source": SOURCES, "kind": KINDS, "points": points}), tare(z)


@pytest.mark.parametrize("seed", range(20))
def test_parts_are_those_of_the_fitted_scale_and_add_up(seed: int):
    rng = np.random.default_rng(seed)
    parts = dict(zip(SOURCES, rng.normal(0, 0.3, len(SOURCES)), strict=True))
    own_effect = float(rng.normal(0, 0.2))
    sources, observed = load_why(9.0, parts)
    expected = tare(scale(9.0) + parts["soil"] + own_effect)
    found = excess_contributions(sources, observed, expected)
    assert found["points"].sum() == pytest.approx(observed - expected, abs=1e-9)
    by_source = dict(found.select("source", "points").iter_rows())
    assert set(by_source) == {*SOURCES} - {"soil"}
    excess = scale(observed) - scale(expected)
    wanted = {**parts, "field": parts["field"] - own_effect}
    for source, points in by_source.items():
        assert points / (observed - expected) == pytest.approx(wanted[source] / excess, rel=1e-6), source
    assert found["points"].abs().is_sorted(descending=True)


def test_a_load_equal_to_its_expected_value_has_parts_that_cancel():
    parts = {"soil": 0.2, "share_depth_cm": 0.1, "machine": -0.1, "field": 0.0, "lab and unexplained": 0.0}
    sources, observed = load_why(9.0, parts)
    found = excess_contributions(sources, observed, observed)
    assert found["points"].sum() == pytest.approx(0.0, abs=1e-9)
    depth = found.row(by_predicate=pl.col("source") == "share_depth_cm", named=True)["points"]
    assert depth == pytest.approx(0.1 * observed * (100 - observed) / 100, rel=1e-6)


def test_a_load_equal_to_the_typical_one_is_decomposed():
    parts = {"soil": 0.2, "share_depth_cm": -0.2, "machine": 0.0, "field": 0.0, "lab and unexplained": 0.0}
    sources, observed = load_why(9.0, parts)
    found = excess_contributions(sources, observed, tare(scale(9.0) + 0.2))
    assert found["source"][0] == "share_depth_cm"
    assert found["points"][0] == pytest.approx(9.0 - tare(scale(9.0) + 0.2), abs=1e-6)
