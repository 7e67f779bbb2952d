"""Cross-products of a season week by week: a week that did not change is not summed again.

Rows are weighed by 1 / (s2 + v), v the known variance of measuring. v is taken in classes an eighth apart and each
class is summed by itself with weight one, so that another s2 costs no pass over the rows.
"""

import hashlib
import io
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
import polars as pl
import scipy.sparse as sp
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from transforms.mixed_model import cross_products as cross_products_module
from transforms.mixed_model import p_spline
from transforms.mixed_model.cross_products import CrossProducts, Factor, cross_products, fewer, join
from transforms.mixed_model.reml import WarmStart
from transforms.model import condition_terms as conditions
from transforms.model import design_matrix as design
from transforms.model import measurement_error as blur
from transforms.model.design_matrix import Columns, DesignSpec, columns
from transforms.parallel import Executor, serial
from transforms.storage.lake import LakePath, write_bytes_atomic

Array = NDArray[np.float64]
CLASS_RATIO = 1.125
COLUMNS_ARE_MADE_BY = (blur, conditions, cross_products_module, design, p_spline)
"""Modules that decide what a column is: weeks kept by other code than theirs are summed again."""
Week = dict[int, CrossProducts]
"""Class of measuring variance -> cross-products of the week's rows in it."""


def variance_class(known: Array) -> NDArray[np.int64]:
    """Return the class of each measuring variance, shape (n,)."""
    return np.asarray(np.round(np.log(np.maximum(known, 1e-8)) / np.log(CLASS_RATIO)), dtype=np.int64)


def class_variance(index: int) -> float:
    """Return the measuring variance a class stands for."""
    return float(CLASS_RATIO**index)


def weeks_of(rows: pl.DataFrame) -> list[slice]:
    """Return the rows of each calendar week; rows are in order of `shift_date`."""
    week = rows.select(pl.col("shift_date").dt.truncate("1w")).to_series()
    edges = np.flatnonzero(week.to_numpy()[1:] != week.to_numpy()[:-1]) + 1
    cuts = [0, *edges.tolist(), rows.height]
    return [slice(a, b) for a, b in pairwise(cuts)]


MOST_HELD = 20_000_000
"""Columns of so many numbers are held; of more they are made anew each time."""


class RowBatches:
    """Rows a week at a time with their columns, as often as they are asked for."""

    def __init__(self, rows: pl.DataFrame, frame: DesignSpec) -> None:
        self._rows, self._frame = rows, frame
        self._held: list[tuple[slice, Columns]] = []

    def __iter__(self) -> Iterator[tuple[slice, Columns]]:
        if self._held:
            yield from self._held
            return
        hold, held = self._rows.height * len(self._frame.dense_labels()) <= MOST_HELD, list[tuple[slice, Columns]]()
        for one in passes(self._rows, self._frame):
            if hold:
                held.append(one)
            yield one
        # Only when whole: whoever stops half way leaves nothing half for the next.
        self._held = held

    @cached_property
    def members(self) -> "FactorIndicators":
        """Which levels of the factors the rows are of."""
        return FactorIndicators.of([cols.factors for _, cols in self])


@dataclass(frozen=True)
class FactorIndicators:
    """Which levels of the factors rows are of, a week at a time.

    Attributes:
        labels: labels of each factor's levels over all weeks, sorted.
        spans: columns of each factor in `weeks`.
        weeks: F of each week's rows, shape (rows, f).
    """

    labels: dict[str, NDArray[np.str_]]
    spans: dict[str, slice]
    weeks: list[sp.csr_matrix]

    @staticmethod
    def of(weeks: list[list[Factor]]) -> "FactorIndicators":
        """Return the members of the factors of some weeks, the same ones each week."""
        labels = {f.name: np.unique(np.concatenate([w[i].labels for w in weeks])) for i, f in enumerate(weeks[0])}
        edges = np.cumsum([0, *(x.size for x in labels.values())]).tolist()
        spans = {name: slice(*at) for name, at in zip(labels, pairwise(edges), strict=True)}
        return FactorIndicators(labels, spans, [_members(w, labels, spans) for w in weeks])

    def place(self, m: CrossProducts) -> NDArray[np.int64]:
        """Return which column here each column of F in some cross-products is, shape (f,)."""
        at = [self.spans[k].start + np.searchsorted(self.labels[k], m.labels[k]) for k in m.factors]
        return np.concatenate(at) if at else np.empty(0, dtype=np.int64)


def _members(factors: list[Factor], labels: dict[str, NDArray[np.str_]], spans: dict[str, slice]) -> sp.csr_matrix:
    columns = [np.searchsorted(labels[f.name], np.asarray(f.labels))[f.codes] + spans[f.name].start for f in factors]
    n = columns[0].size
    values = [np.ones(n) if f.slope is None else f.slope for f in factors]
    pointers = np.arange(0, n * len(factors) + 1, len(factors))
    width = max(s.stop for s in spans.values())
    return sp.csr_matrix((np.column_stack(values).ravel(), np.column_stack(columns).ravel(), pointers), (n, width))


def passes(rows: pl.DataFrame, frame: DesignSpec) -> Iterator[tuple[slice, Columns]]:
    """Go over the rows a week at a time: (rows, their columns)."""
    for at in weeks_of(rows):
        yield at, columns(rows[at], frame)


def of_rows(cols: Columns, mine: NDArray[np.bool_]) -> Columns:
    """Return the columns of some of the rows; factors keep the levels these have."""
    factors = []
    for f in cols.factors:
        held, codes = np.unique(f.codes[mine], return_inverse=True)
        labels = f.labels[held] if f.labels is not None else held.astype(str)
        slope = f.slope[mine] if f.slope is not None else None
        factors.append(replace(f, codes=codes.astype(np.int64), levels=held.size, slope=slope, labels=labels))
    return Columns(cols.D[mine], cols.spans, factors)


def week_products(cols: Columns, z: Array, classes: NDArray[np.int64]) -> Week:
    """Return the cross-products of a week's rows, by class of measuring variance."""
    out = {}
    for index in np.unique(classes):
        mine = classes == index
        part = of_rows(cols, mine)
        out[int(index)] = cross_products(z[mine], part.X, part.blocks, part.factors)
    return out


def with_values(by_class: Week, season: RowBatches, z: Array, classes: NDArray[np.int64]) -> Week:
    """Return the cross-products of other values of z over the same rows: only M'z and z'z are summed anew.

    Args:
        by_class: the cross-products by class of measuring variance.
        season: the rows they are of.
        z: the other values, shape (n,).
        classes: class of each row, shape (n,).
    """
    held, members = np.array(list(by_class)), season.members
    d, width = next(iter(by_class.values())).d, members.weeks[0].shape[1]
    dense, factors, yy = np.zeros((d, held.size)), np.zeros((width, held.size)), np.zeros(held.size)
    with threadpool_limits(limits=1, user_api="blas"):
        for (rows, cols), member in zip(season, members.weeks, strict=True):
            values = np.where(classes[rows][:, None] == held, z[rows][:, None], 0.0)
            dense += cols.D.T @ values
            factors += member.T @ values
            yy += (values**2).sum(axis=0)
    return {
        k: replace(m, r=np.concatenate([dense[:, i], factors[members.place(m), i]]), yy=float(yy[i]))
        for i, (k, m) in enumerate(by_class.items())
    }


class ProductCache:
    """A folder of weeks' cross-products, each under the fingerprint of what it was made of.

    `used` holds the keys that fits have asked for since it was opened: `sweep` keeps these.
    """

    def __init__(self, folder: LakePath, spread: Executor = serial) -> None:
        self._folder = folder
        self.spread = spread
        self.used: set[str] = set()
        self.made = 0

    def week(self, key: str) -> Week | None:
        """Return a week that is kept; None where it is not, or where its file is damaged."""
        self.used.add(key)
        path = self._folder / f"{key}.npz"
        if not path.exists():
            return None
        try:
            with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as held:
                return _unpacked(_apart(held))
        except (OSError, ValueError, KeyError, BadZipFile):
            return None

    def keep(self, key: str, week: Week) -> None:
        """Keep a week; a reader never sees half of one."""
        self.made += 1
        body = io.BytesIO()
        np.savez(body, **_together(_packed(week)))  # type: ignore[arg-type]
        write_bytes_atomic(body.getvalue(), self._folder / f"{key}.npz")

    def start(self, key: str) -> WarmStart | None:
        """Return where a fit starts from that is kept; None where there is none, or its file is damaged."""
        self.used.add(key)
        try:
            held = json.loads((self._folder / f"{key}.json").read_text("utf-8"))
            return {str(k): float(v) for k, v in held["variances"].items()}, float(held["residual"])
        except (OSError, ValueError, KeyError, AttributeError, TypeError):
            return None

    def keep_start(self, key: str, start: WarmStart) -> None:
        """Keep where a fit starts from, every number to its last bit."""
        body = json.dumps({"variances": start[0], "residual": start[1]})
        write_bytes_atomic(body.encode(), self._folder / f"{key}.json")

    def sweep(self) -> None:
        """Remove weeks and starts that no fit since this store was opened has asked for."""
        for path in [*self._folder.glob("*.npz"), *self._folder.glob("*.json")]:
            if path.stem not in self.used:
                path.unlink()


def _together(arrays: dict[str, Array]) -> dict[str, Array]:
    """Return many small arrays as three: to read each from a file by itself takes longer than to sum the week."""
    numbers: dict[str, list[Array]] = {"f": [np.empty(0)], "i": [np.empty(0, dtype=np.int64)]}
    what: list[tuple[str, str, list[Any]]] = []
    for name, array in arrays.items():
        kind = array.dtype.kind
        what.append((name, kind, array.tolist() if kind == "U" else list(array.shape)))
        if kind != "U":
            numbers[kind].append(array.ravel())
    held = {kind: np.concatenate(parts) for kind, parts in numbers.items()}
    return {**held, "what": np.frombuffer(json.dumps(what).encode(), dtype=np.uint8)}


def _apart(held: Any) -> dict[str, Any]:
    """Return what `_together` put together."""
    numbers, at = {kind: held[kind] for kind in "fi"}, dict.fromkeys("fi", 0)
    out = {}
    for name, kind, told in json.loads(held["what"].tobytes()):
        if kind == "U":
            out[name] = np.array(told, dtype=str)
            continue
        size = math.prod(told)
        out[name] = numbers[kind][at[kind] : at[kind] + size].reshape(told)
        at[kind] += size
    return out


def _packed(week: Week) -> dict[str, Array]:
    out: dict[str, object] = {"classes": np.array(sorted(week))}
    for k, m in week.items():
        out |= {
            f"{k}/DD": m.DD,
            f"{k}/FD": m.FD,
            f"{k}/r": m.r,
            f"{k}/scalars": np.array([m.yy, m.n, m.p, m.sum_log_w]),
        }
        FF = m.FF.tocsr()
        out |= {f"{k}/data": FF.data, f"{k}/indices": FF.indices, f"{k}/indptr": FF.indptr}
        for kind, spans in (("blocks", m.blocks), ("factors", m.factors)):
            out[f"{k}/{kind}"] = np.array(list(spans), dtype=str)
            out[f"{k}/{kind} at"] = np.array([[s.start, s.stop] for s in spans.values()]).reshape(-1, 2)
        for name, labels in m.labels.items():
            out[f"{k}/labels/{name}"] = labels
    return out  # type: ignore[return-value]


def _unpacked(held: dict[str, Any]) -> Week:
    out = {}
    for k in held["classes"].tolist():
        yy, n, p, log_w = held[f"{k}/scalars"].tolist()
        spans = {
            kind: {
                str(name): slice(int(a), int(b))
                for name, (a, b) in zip(held[f"{k}/{kind}"], held[f"{k}/{kind} at"], strict=True)
            }
            for kind in ("blocks", "factors")
        }
        FD = held[f"{k}/FD"]
        FF = sp.csr_matrix((held[f"{k}/data"], held[f"{k}/indices"], held[f"{k}/indptr"]), (FD.shape[0], FD.shape[0]))
        labels = {name: held[f"{k}/labels/{name}"] for name in spans["factors"]}
        out[int(k)] = CrossProducts(
            held[f"{k}/DD"],
            FD,
            FF,
            held[f"{k}/r"],
            yy,
            int(n),
            int(p),
            log_w,
            spans["blocks"],
            spans["factors"],
            labels,
        )
    return out


@cache
def _code() -> str:
    digest = hashlib.sha256()
    for module in COLUMNS_ARE_MADE_BY:
        digest.update(Path(str(module.__file__)).read_bytes())
    return digest.hexdigest()


def fingerprint(rows: pl.DataFrame, frame: DesignSpec, z: Array, classes: NDArray[np.int64]) -> str:
    """Return the sha-256 of all that a week's cross-products are made of."""
    digest = hashlib.sha256(f"{_code()}|{frame}".encode())
    digest.update(np.ascontiguousarray(z).tobytes())
    digest.update(classes.tobytes())
    needed = {n for keys in frame.factors.values() for n in keys} | set(frame.terms.conditions)
    needed |= {s.name for s in frame.settings} | {"machine_id", "field_id", "shift_date", "clay_pct"}
    grades = {"trace_quality", "claimed_quality", "machine_chance", "trial_block", "trial_setting"} & set(rows.columns)
    for column in rows.select(sorted(needed | grades)):
        digest.update(column.name.encode())
        if column.dtype.is_numeric():
            digest.update(np.ascontiguousarray(column.cast(pl.Float64).to_numpy()).tobytes())
        else:
            digest.update("|".join(column.cast(pl.String).fill_null("").to_list()).encode())
    return digest.hexdigest()


@dataclass(frozen=True)
class WeekJob:
    """The rows of a week, how columns are made of them, their response and classes of measuring variance."""

    rows: pl.DataFrame
    frame: DesignSpec
    z: Array
    classes: NDArray[np.int64]


def sum_week(job: WeekJob) -> Week:
    """Return a week's cross-products; one BLAS thread, so that any machine of a kind finds the same bits."""
    with threadpool_limits(limits=1, user_api="blas"):
        return week_products(columns(job.rows, job.frame), job.z, job.classes)


def join_weeks(weeks: list[Week]) -> Week:
    """Return the cross-products of several weeks together, joined in their order."""
    return {k: join([w[k] for w in weeks if k in w]) for k in sorted({k for w in weeks for k in w})}


def season_products(
    rows: pl.DataFrame, frame: DesignSpec, z: Array, classes: NDArray[np.int64], store: ProductCache | None
) -> Week:
    """Return the cross-products of all rows by class of measuring variance, weeks joined in their order."""
    at = weeks_of(rows)
    keys = [fingerprint(rows[w], frame, z[w], classes[w]) if store is not None else "" for w in at]
    kept = [store.week(key) if store is not None else None for key in keys]
    lacking = [WeekJob(rows[w], frame, z[w], classes[w]) for w, week in zip(at, kept, strict=True) if week is None]
    made = (store.spread if store is not None else serial)(sum_week, lacking)
    weeks: list[Week] = []
    for key, known in zip(keys, kept, strict=True):
        week = known if known is not None else next(made)
        if known is None and store is not None:
            store.keep(key, week)
        weeks.append(week)
    return join_weeks(weeks)


def weight_classes(by_class: Week, s2: float) -> CrossProducts:
    """Return the whole, each class weighed by s2 / (s2 + v)."""
    parts = []
    for index, m in by_class.items():
        w = s2 / (s2 + class_variance(index))
        parts.append(
            CrossProducts(
                w * m.DD,
                w * m.FD,
                w * m.FF,
                w * m.r,
                w * m.yy,
                m.n,
                m.p,
                m.n * float(np.log(w)),
                m.blocks,
                m.factors,
                m.labels,
            )
        )
    return join(parts)


def select_columns(
    m: CrossProducts, keep: NDArray[np.int64], labels: list[str], factors: list[str]
) -> tuple[CrossProducts, list[str]]:
    """Return the cross-products of fewer columns of D and fewer factors, and the labels of the columns kept.

    Args:
        m: the whole.
        keep: columns of D to keep, ascending.
        labels: labels of all columns of D.
        factors: factors to keep.
    """
    return fewer(m, keep, factors), [labels[i] for i in keep]


def factor_sums(m: CrossProducts, cols: Columns, values: Array) -> Array:
    """Return F'values for the factors of `m` over some rows, shape (f, k); a level unknown to `m` counts as none."""
    out = np.zeros((m.r.size - m.d, values.shape[1]))
    for f in cols.factors:
        if f.name in m.factors and f.labels is not None:
            labels = m.labels[f.name]
            place = np.minimum(np.searchsorted(labels, f.labels), labels.size - 1)
            known = labels[place] == f.labels
            part = values if f.slope is None else values * f.slope[:, None]
            sums = [np.bincount(f.codes, weights=of_one, minlength=f.levels) for of_one in part.T]
            out[place[known] + m.factors[f.name].start - m.d] += np.column_stack(sums)[known]
    return out


def factor_values(m: CrossProducts, cols: Columns, coefficients: Array) -> Array:
    """Return F times coefficients over M for some rows, shape (rows, k); a level unknown to `m` counts as none.

    Args:
        m: the cross-products whose factors these are.
        cols: the rows' columns.
        coefficients: shape (M, k).
    """
    out = np.zeros((cols.D.shape[0], coefficients.shape[1]))
    for f in cols.factors:
        if f.name in m.factors and f.labels is not None:
            labels = m.labels[f.name]
            place = np.minimum(np.searchsorted(labels, f.labels), labels.size - 1)
            known = (labels[place] == f.labels)[f.codes][:, None]
            part = np.where(known, coefficients[place[f.codes] + m.factors[f.name].start], 0.0)
            out += part if f.slope is None else part * f.slope[:, None]
    return out
