"""Columns of the model: the terms of the design, evaluated for rows of whole visits and concatenated."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl

from transforms.arrays import Array
from transforms.mixed_model.cross_products import DenseBlock, Factor
from transforms.model.design_matrix import (
    DesignSpec,
    condition_values,
    multipliers_of,
    setting_reliability,
    setting_steps,
)
from transforms.model.term import TermRows
from transforms.model.visits import visit_means, visits_of


@dataclass(frozen=True)
class Columns:
    """Columns of some rows.

    Attributes:
        D: dense columns, fixed ones first, then the blocks, shape (n, d).
        spans: name of each dense penalised block -> its columns of D.
        factors: random intercepts and slopes, with the labels of their levels.
    """

    D: Array
    spans: dict[str, slice]
    factors: list[Factor]

    @property
    def X(self) -> Array:  # noqa: N802
        """Fixed columns, shape (n, p)."""
        return self.D[:, : min((s.start for s in self.spans.values()), default=self.D.shape[1])]

    @property
    def blocks(self) -> list[DenseBlock]:
        """Dense penalised blocks."""
        return [DenseBlock(name, self.D[:, span]) for name, span in self.spans.items()]


def term_rows(rows: pl.DataFrame, frame: DesignSpec) -> TermRows:
    """Return rows of whole visits as the terms of a model need them.

    Args:
        rows: facts with `campaign_day`, conditions without nulls and every setting of the frame.
        frame: design specification.
    """
    visit, names = visits_of(rows), [s.name for s in frame.settings]
    x, has = setting_steps(rows, frame, visit)
    means = visit_means(x, visit)
    x = means + setting_reliability(rows, frame) * (x - means)
    known = (visit_means(has.astype(np.float64), visit) > 0).astype(np.float64)
    steps, mean_of, known_of = (dict(zip(names, np.ascontiguousarray(a.T), strict=True)) for a in (x, means, known))
    conditions = condition_values(rows, frame)
    return TermRows(rows, visit, steps, mean_of, known_of, conditions, multipliers_of(rows, frame))


def columns(rows: pl.DataFrame, frame: DesignSpec) -> Columns:
    """Return the columns of rows that contain whole visits.

    Args:
        rows: facts with `campaign_day`, conditions without nulls and every setting of the frame.
        frame: design specification.
    """
    prepared = term_rows(rows, frame)
    parts = [term.columns(prepared) for term in frame.dense_terms]
    edges = np.cumsum([0, *(part.shape[1] for part in parts)]).tolist()
    D = np.empty((rows.height, edges[-1]))
    for part, at in zip(parts, pairwise(edges), strict=True):
        D[:, slice(*at)] = part
    spans: dict[str, slice] = {}
    for term, (start, stop) in zip(frame.shrunk_terms, pairwise(edges[len(frame.fixed_terms) :]), strict=True):
        spans[term.block] = slice(spans[term.block].start if term.block in spans else start, stop)
    return Columns(D, spans, [term.factor(prepared) for term in frame.factor_terms])
