"""Products of small factors by known places are those of sparse matrices, to the bit."""

import numpy as np
import pytest

from transforms.mixed_model import scaled_products
from transforms.mixed_model.cross_products import CrossProducts, DenseBlock, Factor, cross_products
from transforms.mixed_model.equations import Equations
from transforms.mixed_model.scaled_products import CorePattern, CoreProducts


@pytest.fixture(scope="module")
def products() -> CrossProducts:
    rng = np.random.default_rng(0)
    n = 900
    day = np.sort(rng.integers(0, 60, n))
    factors = [
        Factor("machine_day", day, 60),
        Factor("field", rng.integers(0, 20, n), 20),
        Factor("machine", day % 7, 7),
        Factor("slope", day % 7, 7, rng.normal(size=n)),
    ]
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 5))])
    block = DenseBlock("curve", rng.normal(size=(n, 4)))
    return cross_products(rng.normal(size=n), X, [block], factors, rng.uniform(0.2, 2.0, n))


def test_solution_and_traces_are_those_of_sparse_products(products: CrossProducts, monkeypatch: pytest.MonkeyPatch):
    by_pattern = Equations(products)
    monkeypatch.setattr(scaled_products, "MAX_PAIRS", 0)
    by_sparse = Equations(products)
    variances = {name: 0.01 + 0.02 * i for i, name in enumerate(by_pattern.spans)}
    first, second = by_pattern.solve(variances, 0.5), by_sparse.solve(variances, 0.5)
    assert first.coef.tolist() == second.coef.tolist()
    assert (first.log_det, first.rss) == (second.log_det, second.rss)
    assert by_pattern.traces(first) == by_sparse.traces(second)


def test_a_pattern_that_would_be_too_large_is_not_kept(products: CrossProducts, monkeypatch: pytest.MonkeyPatch):
    rows = products.FF[:60][:, 60:].tocsr()
    pattern = CorePattern.of(rows)
    assert pattern is not None
    entries = pattern.entries(np.ones(60))
    dense = np.zeros((rows.shape[1], rows.shape[1]))
    dense.flat[pattern.flat] = entries
    assert dense == pytest.approx((rows.T @ rows).toarray())
    empty = np.zeros((0, 0))
    inner = CoreProducts(empty, np.zeros((rows.shape[1], 0)), entries, pattern).inner(np.eye(rows.shape[1]))
    assert inner == pytest.approx(np.trace(dense))
    monkeypatch.setattr(scaled_products, "MAX_PAIRS", pattern.row.size - 1)
    assert CorePattern.of(rows) is None
