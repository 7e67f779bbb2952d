"""Henderson's mixed-model equations at given variances, solved from cross-products alone.

    C = M'WM + diag(l),   l = s2_e / s2_k on block k and 0 on X                                                (2)

The factor with the most levels has a diagonal block and is eliminated first. Other large factors are then block
tridiagonal if their levels follow each other in time (machine-days and site-days are coupled only through shared days
and fields), and are eliminated second. The remaining core is dense. With a, m, c for the three:
S_m = C_mm - C_ma D^-1 C_am = L L', Y = L^-1 S_mc, S_c = C_cc' - Y'Y = R R', T = S_c^-1. The inverse of the equations of
m and c has the blocks S_m^-1 + V V', -V R^-1 and T, with V = L'^-1 Y R'^-1.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import blas, lapack

from transforms.arrays import Array
from transforms.mixed_model.block_tridiagonal import Banding, BlockTridiagonal, banding
from transforms.mixed_model.cross_products import CrossProducts
from transforms.mixed_model.scaled_products import ROWS_AT_ONCE, CorePattern, CoreProducts, ScaledProducts

LARGE_FACTOR = 300
"""A factor with at least this number of levels is eliminated in a band."""
WIDEST_BAND = 0.2
"""Large factors are eliminated in one band if its width is at most this fraction of their levels."""


class RemlError(Exception):
    """Error of a model that cannot be fitted: too few rows for its columns, or linearly dependent columns."""


@dataclass(frozen=True)
class Solution:
    """Solution and factorisations at given variances.

    Attributes:
        variances: variance of each block and factor.
        residual: residual variance s2_e.
        coef: solution of the equations, in the order of M.
        D: diagonal of the absorbed block with its penalty.
        band: the banded block after the first elimination; None without one.
        Y: L^-1 S_mc.
        core: Cholesky factor R of the core after both eliminations.
        rss: e'We.
        log_det: log |C|.
    """

    variances: dict[str, float]
    residual: float
    coef: Array
    D: Array
    band: BlockTridiagonal | None
    Y: Array
    core: Array
    rss: float
    log_det: float

    @cached_property
    def T(self) -> Array:  # noqa: N802
        """Inverse of the core, computed on first use because it costs twice as much as the rest."""
        inverse, _ = lapack.dpotri(self.core, lower=1)  # sets the lower triangle; the core's upper one is zero
        out = inverse + inverse.T
        np.fill_diagonal(out, np.diag(inverse))
        return np.asarray(out)

    @property
    def V(self) -> Array:  # noqa: N802
        """Root of the part of C^-1 on the banded block that the core adds to S_m^-1, shape (m, c)."""
        return self.Y if self.band is None else self.band.backward(self.over_core(self.Y), overwrite=True)

    def over_core(self, v: Array) -> Array:
        """Return v R'^-1 for v of shape (k, c)."""
        return np.asarray(blas.dtrsm(1.0, self.core, v.T, lower=1).T)


class Equations:
    """Mixed-model equations of given cross-products, solved at any variances."""

    def __init__(self, products: CrossProducts) -> None:
        self.m = products
        self.spans = {**products.blocks, **products.factors}
        self.sizes = {name: s.stop - s.start for name, s in self.spans.items()}
        by_size = sorted(products.factors, key=lambda k: (-self.sizes[k], k))
        self.absorbed = by_size[0] if by_size else None
        d, total = products.d, products.r.size
        all_columns = np.arange(total)
        self.a = all_columns[self.spans[self.absorbed]] if self.absorbed else all_columns[:0]
        self.banded, self._banding = self._bands([k for k in by_size[1:] if self.sizes[k] >= LARGE_FACTOR])
        self.b = np.sort(np.concatenate([all_columns[:0], *(all_columns[self.spans[k]] for k in self.banded)]))
        if self._banding is not None:
            self.b = self.b[self._banding.order]
        self.c = np.setdiff1d(all_columns, np.concatenate([self.a, self.b]))
        small = self.c[d:] - d
        FF, FD, a, b = products.FF, products.FD, self.a - d, self.b - d
        of_a = FF[a]
        self._d = FF.diagonal()[a]
        self._a_dense, self._a_small = FD[a], of_a[:, small].tocsr()
        self._small_a = self._a_small.T
        self._ab, self._bb = of_a[:, b].tocsr(), FF[b][:, b].tocsr()
        self._b_dense, self._b_small = FD[b], FF[b][:, small].tocsr()
        self._pattern = None if b.size else CorePattern.of(self._a_small)
        self._cc = np.block([[products.DD, FD[small].T], [FD[small], FF[small][:, small].toarray()]])

    def _bands(self, large: list[str]) -> tuple[list[str], Banding | None]:
        """Return the large factors that form a narrow band together, and the band; drop the smallest until they do."""
        d = self.m.d
        while large:
            b = np.sort(np.concatenate([self._range(k) for k in large])) - d
            ab, bb = self.m.FF[self.a - d][:, b], self.m.FF[b][:, b]
            found = banding(sp.csr_matrix(abs(ab).T @ abs(ab) + abs(bb)))
            if len(large) == 1 or np.diff(found.edges).max() <= WIDEST_BAND * b.size:
                return large, found
            large = large[:-1]
        return [], None

    def _scaled_products(self, scale: Array) -> ScaledProducts:
        """Return [b c]' diag(scale) [b c] over the rows of the absorbed factor."""
        ab = self._ab.multiply(scale[:, None]).tocsr()
        dense, small = self._a_dense * scale[:, None], self._a_small.multiply(scale[:, None]).tocsr()
        bb = sp.csr_matrix(self._ab.T @ ab)
        bs, ss = sp.csr_matrix(ab.T @ self._a_small), sp.csr_matrix(self._a_small.T @ small)
        return ScaledProducts(bb, ab.T @ self._a_dense, bs, self._a_dense.T @ dense, self._a_small.T @ dense, ss)

    def _core_products(self, scale: Array) -> ScaledProducts | CoreProducts:
        """Return c' diag(scale) c over the rows of the absorbed factor; with a band, its products too."""
        if self._pattern is None:
            return self._scaled_products(scale)
        dense = self._a_dense * scale[:, None]
        entries = self._pattern.entries(scale)
        return CoreProducts(self._a_dense.T @ dense, self._small_a @ dense, entries, self._pattern)

    def _range(self, name: str) -> NDArray[np.int64]:
        """Return the columns of M of a block or factor."""
        return np.arange(self.spans[name].start, self.spans[name].stop)

    def penalties(self, variances: dict[str, float], residual: float) -> Array:
        """Return the penalties l of (2), shape (M,).

        Args:
            variances: name of each block and factor -> its variance s2_k.
            residual: residual variance s2_e.
        """
        out = np.zeros(self.m.r.size)
        for name, span in self.spans.items():
            out[span] = residual / variances[name]
        return out

    def solve(self, variances: dict[str, float], residual: float) -> Solution:
        """Solve the equations at given variances.

        Args:
            variances: name of each block and factor -> its variance s2_k.
            residual: residual variance s2_e.

        Raises:
            RemlError: the core is singular, because columns of X depend on each other or there are too few rows.
        """
        m, penalty = self.m, self.penalties(variances, residual)
        D = self._d + penalty[self.a]
        products = self._core_products(1 / D)
        band, Y = None, np.zeros((0, self.c.size))
        S_c = products.subtract_from(self._cc)
        S_c.flat[:: self.c.size + 1] += penalty[self.c]
        log_det = float(np.log(D).sum())
        try:
            if self._banding is not None and isinstance(products, ScaledProducts):
                S_bb = sp.csr_matrix(self._bb + sp.diags(penalty[self.b]) - products.bb)
                band = BlockTridiagonal(S_bb, self._banding.edges)
                Y = np.empty((self.b.size, self.c.size))
                np.subtract(self._b_dense, products.bd, out=Y[:, : m.d])
                Y[:, m.d :] = (self._b_small - products.bs).toarray()
                Y = band.forward(Y, overwrite=True)
                S_c -= Y.T @ Y
                log_det += band.log_determinant
            # S_c is symmetric; its transpose is in Fortran order, which LAPACK does not copy.
            chol, failed = lapack.dpotrf(S_c.T, lower=1, overwrite_a=1)
        except np.linalg.LinAlgError:
            failed = 1
        if failed:
            raise RemlError("columns of the model depend on each other, or there are too few rows for them")
        log_det += 2 * float(np.log(np.diag(chol)).sum())
        coef = self._eliminate(m.r, D, band, Y, lambda v: np.asarray(lapack.dpotrs(chol, v, lower=1)[0]))
        rss = m.yy - float(coef @ m.r) - float(penalty @ coef**2)
        return Solution(dict(variances), residual, coef, D, band, Y, chol, rss, log_det)

    def _eliminate(
        self, v: Array, D: Array, band: BlockTridiagonal | None, Y: Array, core: Callable[[Array], Array]
    ) -> Array:
        """Return C^-1 v by block elimination; v has shape (M,) or (M, k), `core` solves with S_c."""
        a, b, c = v[self.a], v[self.b], v[self.c]
        scaled = (a.T / D).T
        c = c - np.concatenate([self._a_dense.T @ scaled, self._small_a @ scaled])
        out = np.empty_like(v)
        if band is not None:
            forward = band.forward(b - self._ab.T @ scaled)
            x_c = core(c - Y.T @ forward)
            x_b = band.backward(forward - Y @ x_c)
        else:
            x_c, x_b = core(c), b
        d = self.m.d
        out[self.c], out[self.b] = x_c, x_b
        left = a - self._a_dense @ x_c[:d] - self._a_small @ x_c[d:]
        if self.b.size:
            left = left - self._ab @ x_b
        out[self.a] = (left.T / D).T
        return out

    def inverse(self, s: Solution, v: Array) -> Array:
        """Return C^-1 v, in the shape of v.

        Args:
            s: solution at the variances that define C.
            v: columns over M, shape (M,) or (M, k).
        """
        return self._eliminate(v, s.D, s.band, s.Y, lambda x: s.T @ x)

    def apply(self, v: Array) -> Array:
        """Return M'WM v for v of shape (M,) or (M, k)."""
        m, d = self.m, self.m.d
        return np.concatenate([m.DD @ v[:d] + m.FD.T @ v[d:], m.FD @ v[:d] + m.FF @ v[d:]])

    def traces(self, s: Solution) -> dict[str, float]:
        """Return tr(C^-1)_kk of each block and factor."""
        place = np.full(self.m.r.size, -1)
        place[self.c] = np.arange(self.c.size)
        diagonal, out = np.diag(s.T), {}
        for name, span in self.spans.items():
            if name != self.absorbed and name not in self.banded:
                out[name] = float(diagonal[place[span]].sum())
        if not self.absorbed:
            return out
        products = self._core_products(1 / s.D**2)
        trace = float((1 / s.D).sum()) + products.inner(s.T)
        if s.band is not None and isinstance(products, ScaledProducts):
            V = s.V
            inside = s.band.inverse_on(sp.csr_matrix(abs(products.bb) + sp.eye(self.b.size)), V)
            whole = inside.diagonal()
            for name in self.banded:
                out[name] = float(whole[self._rows_of_b(name)].sum())
            trace += float(products.bb.multiply(inside).sum())
            # tr(bc' V R^-1) with R^-1 = R'T
            trace -= 2 * float(np.vdot(products.below(V), s.core.T @ s.T))
        out[self.absorbed] = trace
        return out

    def _rows_of_b(self, name: str) -> NDArray[np.bool_]:
        """Return the mask of the rows of the banded block that belong to one factor, shape (m,)."""
        span = self.spans[name]
        return np.asarray((self.b >= span.start) & (self.b < span.stop))

    def diagonal(self, s: Solution, name: str) -> Array:
        """Return the diagonal of C^-1 on one block or factor, shape (q,).

        Args:
            s: solution at the variances that define C.
            name: name of the block or factor, which has q columns.
        """
        if name in self.banded and s.band is not None:
            own = self._rows_of_b(name)
            inside = s.band.inverse_on(sp.csr_matrix(sp.eye(self.b.size)), s.V).diagonal()[own]
            return np.asarray(inside[np.argsort(self.b[own])])
        if name != self.absorbed:
            return np.asarray(np.diag(s.T)[np.searchsorted(self.c, self._range(name))])
        out, V = np.empty(self.a.size), s.V
        inverse = None
        if s.band is not None:
            pattern = sp.csr_matrix(self._ab.T @ self._ab + sp.eye(self.b.size))
            inverse = s.band.inverse_on(pattern, np.zeros((self.b.size, 1)))
        for start in range(0, out.size, ROWS_AT_ONCE):
            rows = slice(start, start + ROWS_AT_ONCE)
            ab = self._ab[rows]
            effective = s.over_core(np.hstack([self._a_dense[rows], self._a_small[rows].toarray()]))
            square = ((effective - ab @ V) ** 2).sum(axis=1)
            if inverse is not None:
                square = square + np.asarray(ab.multiply(ab @ inverse).sum(axis=1)).ravel()
            out[rows] = square
        return np.asarray(1 / s.D + out / s.D**2)

    def fixed_inverse(self, s: Solution) -> Array:
        """Return the columns of C^-1 that belong to X, shape (M, p)."""
        unit = np.zeros((self.m.r.size, self.m.p))
        unit[np.arange(self.m.p), np.arange(self.m.p)] = 1.0
        return self.inverse(s, unit)
