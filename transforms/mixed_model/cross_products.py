"""Cross-products of a mixed model; estimation needs nothing else of the rows.

Cross-products of parts of the rows, such as weeks, can be stored and joined later: levels of factors are matched by
their labels. Parts are added in the order given, so the same parts give the same bits.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from transforms.arrays import Array

CHUNK_ROWS = 20_000


@dataclass(frozen=True)
class DenseBlock:
    """Dense columns whose coefficients share one variance; `columns` has shape (n, q)."""

    name: str
    columns: Array


@dataclass(frozen=True)
class Factor:
    """A random coefficient for each level: an intercept, or the slope on `slope`.

    Attributes:
        name: name of the factor.
        codes: level of each row, shape (n,), each in 0..levels-1.
        levels: number of levels.
        slope: multiplier of the coefficient, shape (n,); None for ones.
        labels: labels of the levels, shape (levels,); None for their numbers.
    """

    name: str
    codes: NDArray[np.int64]
    levels: int
    slope: Array | None = None
    labels: NDArray[np.str_] | None = None


@dataclass(frozen=True)
class CrossProducts:
    """M'WM and M'Wy for M = [D | F], D = [X | dense blocks], F = the factors in sequence.

    Attributes:
        DD: D'WD, shape (d, d).
        FD: F'WD, shape (f, d).
        FF: F'WF, sparse, shape (f, f).
        r: M'Wy, shape (d + f,).
        yy: y'Wy.
        n: number of rows.
        p: number of columns of X.
        sum_log_w: sum of the logarithms of the weights.
        blocks: name of each dense block -> its columns of M.
        factors: name of each factor -> its columns of M.
        labels: name of each factor -> labels of its levels, sorted.
    """

    DD: Array
    FD: Array
    FF: sp.csr_matrix
    r: Array
    yy: float
    n: int
    p: int
    sum_log_w: float
    blocks: dict[str, slice]
    factors: dict[str, slice]
    labels: dict[str, NDArray[np.str_]]

    @property
    def d(self) -> int:
        """Number of columns of D."""
        return int(self.DD.shape[0])


def _spans(widths: list[tuple[str, int]], at: int) -> dict[str, slice]:
    """Return consecutive columns of the given widths, from column `at` on."""
    out = {}
    for name, width in widths:
        out[name] = slice(at, at + width)
        at += width
    return out


def _indicators(factors: Sequence[Factor], rows: slice, root_w: Array) -> sp.csr_matrix:
    """Return the rows of F, each multiplied by the square root of its weight."""
    n, start = root_w.size, 0
    columns, values = [], []
    for factor in factors:
        columns.append(factor.codes[rows] + start)
        values.append(root_w if factor.slope is None else root_w * factor.slope[rows])
        start += factor.levels
    k = len(factors)
    if not k:
        return sp.csr_matrix((n, 0))
    pointers = np.arange(0, n * k + 1, k)
    return sp.csr_matrix((np.column_stack(values).ravel(), np.column_stack(columns).ravel(), pointers), (n, start))


def cross_products(
    y: Array, X: Array, blocks: Sequence[DenseBlock], factors: Sequence[Factor], weights: Array | None = None
) -> CrossProducts:
    """Return the cross-products of y = X b + sum Z_k u_k + e, Var(e) = s2 / weights.

    Args:
        y: response, shape (n,).
        X: fixed columns, shape (n, p).
        blocks: dense penalised blocks, each with columns of shape (n, q).
        factors: random intercepts and slopes, each with codes of shape (n,).
        weights: observation weights, shape (n,); None for ones.
    """
    n, p = X.shape
    w = np.ones(n) if weights is None else weights
    block_spans = _spans([(b.name, b.columns.shape[1]) for b in blocks], p)
    d = p + sum(b.columns.shape[1] for b in blocks)
    factor_spans = _spans([(f.name, f.levels) for f in factors], d)
    f = sum(x.levels for x in factors)
    DD, FD, r, yy = np.zeros((d, d)), np.zeros((f, d)), np.zeros(d + f), 0.0
    FF = sp.csr_matrix((f, f))
    for start in range(0, n, CHUNK_ROWS):
        rows = slice(start, min(start + CHUNK_ROWS, n))
        root = np.sqrt(w[rows])
        dense = np.hstack([X[rows], *(b.columns[rows] for b in blocks)]) * root[:, None]
        indicators, target = _indicators(factors, rows, root), y[rows] * root
        DD += dense.T @ dense
        r[:d] += dense.T @ target
        yy += float(target @ target)
        if f:
            transposed = indicators.T.tocsr()
            FD += transposed @ dense
            FF = FF + transposed @ indicators
            r[d:] += transposed @ target
    labels = {
        x.name: np.arange(x.levels).astype(str) if x.labels is None else np.asarray(x.labels, dtype=str)
        for x in factors
    }
    return CrossProducts(
        DD, FD, sp.csr_matrix(FF), r, yy, n, p, float(np.log(w).sum()), block_spans, factor_spans, labels
    )


def subset_products(m: CrossProducts, keep: NDArray[np.int64], factors: Sequence[str]) -> CrossProducts:
    """Return the cross-products of a subset of the columns of D and of the factors.

    Args:
        m: cross-products of the full model.
        keep: indices of the columns of D to keep, ascending, shape (kept,).
        factors: names of the factors to keep.
    """
    d, p = m.d, int((keep < m.p).sum())
    rows = np.concatenate([keep[:0], *(np.arange(m.factors[k].start, m.factors[k].stop) - d for k in factors)])
    widths = [(name, int(((keep >= s.start) & (keep < s.stop)).sum())) for name, s in m.blocks.items()]
    return CrossProducts(
        m.DD[np.ix_(keep, keep)],
        m.FD[np.ix_(rows, keep)],
        sp.csr_matrix(m.FF[rows][:, rows]),
        np.concatenate([m.r[keep], m.r[d + rows]]),
        m.yy,
        m.n,
        p,
        m.sum_log_w,
        _spans([(name, width) for name, width in widths if width], p),
        _spans([(k, m.labels[k].size) for k in factors], keep.size),
        {k: m.labels[k] for k in factors},
    )


def sum_products(parts: Sequence[CrossProducts]) -> CrossProducts:
    """Return the sum of parts of one model, in their order; levels of a factor are matched by label.

    Args:
        parts: cross-products with the same columns of X and the same blocks and factors.
    """
    first = parts[0]
    if len(parts) == 1:
        return first
    d, names = first.d, list(first.factors)
    labels = {k: np.unique(np.concatenate([part.labels[k] for part in parts])) for k in names}
    spans = _spans([(k, labels[k].size) for k in names], d)
    f = sum(x.size for x in labels.values())
    DD, FD, r, yy, log_w, n = np.zeros((d, d)), np.zeros((f, d)), np.zeros(d + f), 0.0, 0.0, 0
    rows, columns, values = [], [], []
    for part in parts:
        place = [np.searchsorted(labels[k], part.labels[k]) + spans[k].start - d for k in names]
        at = np.concatenate(place) if place else np.empty(0, dtype=np.int64)
        DD += part.DD
        FD[at] += part.FD
        r[:d] += part.r[:d]
        r[d + at] += part.r[d:]
        entries = part.FF.tocoo()
        rows.append(at[entries.row])
        columns.append(at[entries.col])
        values.append(entries.data)
        yy, log_w, n = yy + part.yy, log_w + part.sum_log_w, n + part.n
    FF = sp.csr_matrix((f, f))
    if f:
        FF = sp.coo_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), (f, f)).tocsr()
    return CrossProducts(DD, FD, FF, r, yy, n, first.p, log_w, first.blocks, spans, labels)
