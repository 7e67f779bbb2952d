"""Initial variances of a search, from cross-products alone.

Small models start from equal shares of the variance of y. Large ones start from the moments of MIVQUE(0) (Hartley,
Rao and LaMotte 1978): with P the projection off X and N = Z'PZ, the squares of Z'Py of each component and of Py equal
their expectations,

E |Z_k'Py|^2 = sum_j s2_j |N_kj|^2 + s2_e tr(N_kk),   E |Py|^2 = sum_j s2_j tr(N_jj) + s2_e (n - p)        (40)
"""

from itertools import combinations_with_replacement

import numpy as np
import scipy.sparse as sp
from scipy.linalg import cho_factor, solve_triangular

from transforms.arrays import Array
from transforms.mixed_model.cross_products import CrossProducts


def variance_of_y(m: CrossProducts) -> float:
    """Return the variance of y about its regression on X, from the cross-products alone."""
    fixed = np.linalg.lstsq(m.DD[: m.p, : m.p], m.r[: m.p], rcond=None)[0]
    return max(float(m.yy - fixed @ m.r[: m.p]), 0.0) / max(m.n - m.p, 1)


def equal_shares(m: CrossProducts, total: float) -> tuple[dict[str, float], float]:
    """Return variances by which every component explains the same share of the variance of y.

    A component's variance follows from the mean square of its columns. The residual variance is half of the total.

    Args:
        m: cross-products of the model.
        total: variance of y, in its units squared.

    Returns:
        Component -> variance, and the residual variance, in the units of y squared.
    """
    spans, variances = {**m.blocks, **m.factors}, {}
    for name, span in spans.items():
        diagonal = np.diag(m.DD)[span] if name in m.blocks else m.FF.diagonal()[span.start - m.d : span.stop - m.d]
        mean_square = float(diagonal.sum()) / m.n
        variances[name] = total / (len(spans) + 1) / max(mean_square, 1e-12)
    return variances, total / 2


def moments(m: CrossProducts) -> tuple[dict[str, float], float] | None:
    """Return the variances that satisfy (40); None if one is not positive, as happens near the zero boundary.

    Args:
        m: cross-products of the model, with X of full rank.

    Raises:
        numpy.linalg.LinAlgError: columns of X depend on each other.
    """
    spans, p = {**m.blocks, **m.factors}, m.p
    root = np.tril(cho_factor(m.DD[:p, :p], lower=True)[0])
    on_x = {k: solve_triangular(root, _columns_of_x(m, k).T, lower=True).T for k in spans}
    y_on_x = solve_triangular(root, m.r[:p], lower=True)
    squares = [float(((m.r[span] - on_x[k] @ y_on_x) ** 2).sum()) for k, span in spans.items()]
    traces = [_trace(m, k) - float((on_x[k] ** 2).sum()) for k in spans]
    n = len(spans)
    expected = np.empty((n + 1, n + 1))
    expected[:n, n], expected[n, :n], expected[n, n] = traces, traces, m.n - p
    inner = {k: on_x[k].T @ on_x[k] for k in spans}
    for (i, a), (j, b) in combinations_with_replacement(enumerate(spans), 2):
        both = _product(m, a, b)
        square = float((both.data**2).sum()) if isinstance(both, sp.csr_matrix) else float((both**2).sum())
        crossed = float(((both @ on_x[b]) * on_x[a]).sum())
        expected[i, j] = expected[j, i] = square - 2 * crossed + float(np.vdot(inner[a], inner[b]))
    right = np.array([*squares, float(m.yy - y_on_x @ y_on_x)])
    scale = 1 / np.sqrt(np.diag(expected))
    found = scale * np.linalg.lstsq(expected * np.outer(scale, scale), scale * right, rcond=None)[0]
    return (dict(zip(spans, found.tolist(), strict=False)), float(found[n])) if (found > 0).all() else None


def _columns_of_x(m: CrossProducts, name: str) -> Array:
    """Return Z'WX of a block or factor, shape (q, p)."""
    if name in m.blocks:
        return m.DD[m.blocks[name], : m.p]
    span = m.factors[name]
    return m.FD[span.start - m.d : span.stop - m.d, : m.p]


def _trace(m: CrossProducts, name: str) -> float:
    """Return tr(Z'WZ) of a block or factor."""
    both = _product(m, name, name)
    return float(both.diagonal().sum())


def _product(m: CrossProducts, first: str, second: str) -> Array | sp.csr_matrix:
    """Return Z_k'WZ_l of two blocks or factors, shape (q_k, q_l); blocks come before factors."""
    d = m.d
    if second in m.blocks:
        return m.DD[m.blocks[first], m.blocks[second]]
    columns = slice(m.factors[second].start - d, m.factors[second].stop - d)
    if first in m.blocks:
        return m.FD[columns, m.blocks[first]].T
    rows = slice(m.factors[first].start - d, m.factors[first].stop - d)
    return sp.csr_matrix(m.FF[rows, columns])
