"""Columns of a P-spline at a few positions come from a cache that callers cannot change."""

import numpy as np

from transforms.mixed_model.p_spline import MAX_CACHED_POSITIONS, PSpline


def test_cached_columns_are_those_computed_and_are_not_shared():
    spline = PSpline(0.0, 1.0, 4)
    few = np.linspace(-0.2, 1.2, MAX_CACHED_POSITIONS)
    first = spline.columns(few)
    assert first.tolist() == spline.columns_at(few).tolist()
    first[:] = 0.0
    assert spline.columns(few).tolist() == spline.columns_at(few).tolist()
    assert PSpline(0.0, 2.0, 4).columns(few).tolist() != spline.columns(few).tolist()
