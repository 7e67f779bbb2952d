"""Cross-products of a mixed model, built in chunks of rows; after this the rows are not touched again."""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

Array = NDArray[np.float64]
CHUNK_ROWS = 20_000


@dataclass(frozen=True)
class DenseBlock:
    """Dense columns whose coefficients share one variance; `columns` has shape (n, q)."""

    name: str
    columns: Array


@dataclass(frozen=True)
class Factor:
    """A random intercept: `codes` of shape (n,), each in 0..levels-1."""

    name: str
    codes: NDArray[np.int64]
    levels: int


@dataclass(frozen=True)
class CrossProducts:
    """M'WM and M'Wy for M = [core | absorbed], core = [X | dense blocks | all factors but the largest].

    Attributes:
        K: core'W core, shape (c, c).
        B: absorbed'W core, sparse, shape (b, c); b = 0 where there is no factor.
        d: diagonal of absorbed'W absorbed, shape (b,).
        r: core'Wy, shape (c,).
        r_b: absorbed'Wy, shape (b,).
        yy: y'Wy.
        n: rows.
        p: columns of X.
        sum_log_w: sum of the logs of the weights.
        spans: name of each penalised core part -> its slice of the core.
        absorbed: name of the absorbed factor, None where there is none.
    """

    K: Array
    B: sp.csr_matrix
    d: Array
    r: Array
    r_b: Array
    yy: float
    n: int
    p: int
    sum_log_w: float
    spans: dict[str, slice]
    absorbed: str | None


def _indicator(factor: Factor, rows: slice, root_w: Array) -> sp.csr_matrix:
    codes = factor.codes[rows]
    return sp.csr_matrix((root_w, (np.arange(codes.size), codes)), shape=(codes.size, factor.levels))


def cross_products(
    y: Array, X: Array, blocks: list[DenseBlock], factors: list[Factor], weights: Array | None = None
) -> CrossProducts:
    """Build the cross-products of y = X b + sum Z_k u_k + e, Var(e) = s2 / weights.

    Args:
        y: response, shape (n,).
        X: fixed columns, shape (n, p), of full rank.
        blocks: dense penalised blocks.
        factors: random intercepts; the one with most levels is absorbed.
        weights: observation weights, shape (n,); ones where None.
    """
    n, p = X.shape
    w = np.ones(n) if weights is None else weights
    largest = max(factors, key=lambda f: f.levels) if factors else None
    others = [f for f in factors if f is not largest]
    widths = [(b.name, b.columns.shape[1]) for b in blocks] + [(f.name, f.levels) for f in others]
    spans, at = {}, p
    for name, width in widths:
        spans[name] = slice(at, at + width)
        at += width
    size_b = largest.levels if largest else 0
    K, r = np.zeros((at, at)), np.zeros(at)
    B = sp.csr_matrix((size_b, at))
    d, r_b, yy = np.zeros(size_b), np.zeros(size_b), 0.0
    for start in range(0, n, CHUNK_ROWS):
        rows = slice(start, min(start + CHUNK_ROWS, n))
        root = np.sqrt(w[rows])
        dense = np.hstack([X[rows], *(b.columns[rows] for b in blocks)]) * root[:, None]
        target = y[rows] * root
        sparse = [_indicator(f, rows, root) for f in others]
        core = sp.hstack([sp.csr_matrix(dense), *sparse], format="csr") if sparse else sp.csr_matrix(dense)
        wide = dense.shape[1]
        K[:wide, :wide] += dense.T @ dense
        if sparse:
            joined = core[:, wide:]
            mixed = np.asarray(joined.T @ dense)
            K[wide:, :wide] += mixed
            K[:wide, wide:] += mixed.T
            K[wide:, wide:] += (joined.T @ joined).toarray()
        r += core.T @ target
        yy += float(target @ target)
        if largest is not None:
            member = _indicator(largest, rows, root)
            B = B + member.T @ core
            d += np.asarray(member.multiply(member).sum(axis=0)).ravel()
            r_b += member.T @ target
    return CrossProducts(
        K, sp.csr_matrix(B), d, r, r_b, yy, n, p, float(np.log(w).sum()), spans, largest.name if largest else None
    )
