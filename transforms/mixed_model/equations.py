"""Henderson's mixed-model equations at given variances, solved from cross-products alone.

    C = M'WM + diag(l),   l = s2_e / s2_k on block k and 0 on X                                                (2)

The factor with the most levels has a diagonal block and is eliminated first. Other large factors are then block
tridiagonal if their levels follow each other in time (machine-days and site-days are coupled only through shared days
and fields), and are eliminated second. The remaining core is dense. With a, m, c for the three:
S_m = C_mm - C_ma D^-1 C_am, W = S_m^-1 S_mc, S_c = C_cc' - S_cm W, T = S_c^-1.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import lapack

from transforms.arrays import Array
from transforms.mixed_model.block_tridiagonal import Banding, BlockTridiagonal, banding
from transforms.mixed_model.cross_products import CrossProducts

LARGE_FACTOR = 300
"""A factor with at least this number of levels is eliminated in a band."""
WIDEST_BAND = 0.2
"""Large factors are eliminated in one band if its width is at most this fraction of their levels."""
DIAGONAL_CHUNK = 2000


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
        W: S_m^-1 S_mc.
        core: Cholesky factor of the core after both eliminations.
        rss: e'We.
        log_det: log |C|.
    """

    variances: dict[str, float]
    residual: float
    coef: Array
    D: Array
    band: BlockTridiagonal | None
    W: Array
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


@dataclass(frozen=True)
class _ScaledProducts:
    """Blocks of [b c]' diag(scale) [b c]; c are the dense columns (d) and the small factors (s)."""

    bb: sp.csr_matrix
    bc: Array
    dd: Array
    sd: Array
    ss: sp.csr_matrix

    def subtract_from(self, cc: Array) -> Array:
        """Return cc less the blocks of c."""
        d, out = self.dd.shape[0], cc.copy()
        out[:d, :d] -= self.dd
        out[d:, :d] -= self.sd
        out[:d, d:] -= self.sd.T
        out[d:, d:] -= self.ss
        return out

    def inner(self, T: Array) -> float:
        """Return tr(cc T), T symmetric."""
        d = self.dd.shape[0]
        dense = np.vdot(self.dd, T[:d, :d]) + 2 * np.vdot(self.sd, T[d:, :d])
        return float(dense) + float(self.ss.multiply(T[d:, d:]).sum())


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
        self.c = np.setdiff1d(all_columns, np.concatenate([self.a, self.b]))
        small = self.c[d:] - d
        FF, FD, a, b = products.FF, products.FD, self.a - d, self.b - d
        self._d = FF.diagonal()[a]
        self._ab, self._bb = FF[a][:, b].tocsr(), FF[b][:, b].tocsr()
        self._a_dense, self._a_small = FD[a], FF[a][:, small].tocsr()
        self._bc = np.hstack([FD[b], FF[b][:, small].toarray()])
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

    def _scaled_products(self, scale: Array) -> _ScaledProducts:
        """Return [b c]' diag(scale) [b c] over the rows of the absorbed factor."""
        ab = self._ab.multiply(scale[:, None]).tocsr()
        dense, small = self._a_dense * scale[:, None], self._a_small.multiply(scale[:, None]).tocsr()
        bb = sp.csr_matrix(self._ab.T @ ab)
        bc = np.hstack([ab.T @ self._a_dense, (ab.T @ self._a_small).toarray()])
        return _ScaledProducts(
            bb, bc, self._a_dense.T @ dense, self._a_small.T @ dense, sp.csr_matrix(self._a_small.T @ small)
        )

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
        products = self._scaled_products(1 / D)
        band, W = None, np.zeros((0, self.c.size))
        S_c = products.subtract_from(self._cc)
        S_c.flat[:: self.c.size + 1] += penalty[self.c]
        log_det = float(np.log(D).sum())
        try:
            if self._banding is not None:
                S_bc = self._bc - products.bc
                S_bb = sp.csr_matrix(self._bb + sp.diags(penalty[self.b]) - products.bb)
                band = BlockTridiagonal(S_bb, self._banding)
                W = band.solve(S_bc)
                S_c -= S_bc.T @ W
                log_det += band.log_determinant
            # S_c is symmetric; its transpose is in Fortran order, which LAPACK does not copy.
            chol, failed = lapack.dpotrf(S_c.T, lower=1, overwrite_a=1)
        except np.linalg.LinAlgError:
            failed = 1
        if failed:
            raise RemlError("columns of the model depend on each other, or there are too few rows for them")
        log_det += 2 * float(np.log(np.diag(chol)).sum())
        coef = self._eliminate(m.r, D, band, W, lambda v: np.asarray(lapack.dpotrs(chol, v, lower=1)[0]))
        rss = m.yy - float(coef @ m.r) - float(penalty @ coef**2)
        return Solution(dict(variances), residual, coef, D, band, W, chol, rss, log_det)

    def _eliminate(
        self, v: Array, D: Array, band: BlockTridiagonal | None, W: Array, core: Callable[[Array], Array]
    ) -> Array:
        """Return C^-1 v by block elimination; v has shape (M,) or (M, k), `core` solves with S_c."""
        a, b, c = v[self.a], v[self.b], v[self.c]
        scaled = (a.T / D).T
        c = c - np.concatenate([self._a_dense.T @ scaled, self._a_small.T @ scaled])
        out = np.empty_like(v)
        if band is not None:
            b = b - self._ab.T @ scaled
            x_c = core(c - W.T @ b)
            x_b = band.solve(b) - W @ x_c
        else:
            x_c, x_b = core(c), b
        d = self.m.d
        out[self.c], out[self.b] = x_c, x_b
        out[self.a] = ((a - self._a_dense @ x_c[:d] - self._a_small @ x_c[d:] - self._ab @ x_b).T / D).T
        return out

    def inverse(self, s: Solution, v: Array) -> Array:
        """Return C^-1 v, in the shape of v.

        Args:
            s: solution at the variances that define C.
            v: columns over M, shape (M,) or (M, k).
        """
        return self._eliminate(v, s.D, s.band, s.W, lambda x: s.T @ x)

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
        inside, WT = None, s.W @ s.T
        products = self._scaled_products(1 / s.D**2)
        bb = products.bb
        if s.band is not None:
            inside = s.band.inverse_on(sp.csr_matrix(abs(bb) + sp.eye(self.b.size)))
            whole = inside.diagonal() + (WT * s.W).sum(axis=1)
            for name in self.banded:
                out[name] = float(whole[np.searchsorted(self.b, self._range(name))].sum())
        trace = float((1 / s.D).sum()) + products.inner(s.T)
        if inside is not None:
            trace += (
                float(bb.multiply(inside).sum()) + float(((bb @ WT) * s.W).sum()) - 2 * float((products.bc * WT).sum())
            )
        out[self.absorbed] = trace
        return out

    def diagonal(self, s: Solution, name: str) -> Array:
        """Return the diagonal of C^-1 on one block or factor, shape (q,).

        Args:
            s: solution at the variances that define C.
            name: name of the block or factor, which has q columns.
        """
        if name in self.banded and s.band is not None:
            inside = s.band.inverse_on(sp.csr_matrix(sp.eye(self.b.size)))
            whole = inside.diagonal() + ((s.W @ s.T) * s.W).sum(axis=1)
            return np.asarray(whole[np.searchsorted(self.b, self._range(name))])
        if name != self.absorbed:
            return np.asarray(np.diag(s.T)[np.searchsorted(self.c, self._range(name))])
        out = np.empty(self.a.size)
        inside = None
        if s.band is not None:
            pattern = sp.csr_matrix(self._ab.T @ self._ab + sp.eye(self.b.size))
            inside = s.band.inverse_on(pattern)
        for start in range(0, out.size, DIAGONAL_CHUNK):
            rows = slice(start, start + DIAGONAL_CHUNK)
            ab = self._ab[rows]
            effective = np.hstack([self._a_dense[rows], self._a_small[rows].toarray()])
            if inside is not None:
                effective = effective - ab @ s.W
            square = ((effective @ s.T) * effective).sum(axis=1)
            if inside is not None:
                square = square + np.asarray(ab.multiply(ab @ inside).sum(axis=1)).ravel()
            out[rows] = square
        return np.asarray(1 / s.D + out / s.D**2)

    def fixed_inverse(self, s: Solution) -> Array:
        """Return the columns of C^-1 that belong to X, shape (M, p)."""
        unit = np.zeros((self.m.r.size, self.m.p))
        unit[np.arange(self.m.p), np.arange(self.m.p)] = 1.0
        return self.inverse(s, unit)
