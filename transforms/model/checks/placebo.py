"""Placebo test: the settings of the next load cannot have an effect; an apparent effect indicates a bias."""

import numpy as np

from transforms.model.checks.score import ScoreTest, score_test
from transforms.model.fit_result import ResponseFit
from transforms.model.visits import visit_means


def placebo(fit: ResponseFit) -> ScoreTest | None:
    """Test the settings of the next load of the same visit; return None if visits have too few loads.

    These settings have an apparent effect if drivers react to the previous load; then the within effects are biased.
    """
    if "lifted_at" not in fit.rows.columns:
        return None
    visit = fit.visits
    order = np.lexsort((fit.rows["lifted_at"].dt.timestamp("us").fill_null(0).to_numpy(), visit))
    follows = visit[order][1:] == visit[order][:-1]
    places = [fit.setting_column(s) for s in fit.settings]
    inside = (fit.x - visit_means(fit.x, visit))[:, places]
    lead = np.zeros_like(inside)
    lead[order[:-1][follows]] = inside[order[1:][follows]]
    if follows.sum() < 10 * len(places):
        return None
    return score_test(fit, lead)
