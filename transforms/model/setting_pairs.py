"""Pairs of settings whose effects may depend on each other, as rows of `setting_pair`."""

import polars as pl
from scipy.stats import t

from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of
from transforms.model.effects import percent
from transforms.model.fit_result import ResponseFit
from transforms.model.pair_tests import pair_tests, q_values

PAIR_SCHEMA = schema_of("setting_pair")
FALSE_DISCOVERIES = 0.05
"""A pair interacts if its q value is below this."""


def setting_pairs(fit: ResponseFit, min_loads: int) -> pl.DataFrame:
    """Return `setting_pair` rows: how much the effect of one setting's step changes with a step of another.

    Args:
        fit: the fit.
        min_loads: minimum number of rows with both settings.
    """
    tests, rows = pair_tests(fit, min_loads), []
    for test, q in zip(tests, q_values(tests), strict=True):
        head = {"response": fit.response, "setting": test.pair[0], "other_setting": test.pair[1], "n": test.n}
        if test.estimate is None or q is None:
            rows.append({**head, **(test.untested or reason("effect_hardly_moved")).columns})
            continue
        (estimate, error), df = test.estimate, max(fit.z.size - fit.width, 1)
        half = float(t.ppf(0.975, df)) * error
        change = {"change_pct": estimate, "lo95": estimate - half, "hi95": estimate + half}
        why = reason("interaction" if q < FALSE_DISCOVERIES else "no_interaction")
        tested = {**{k: percent(v) for k, v in change.items()}, "p_value": test.p_value, "q_value": q}
        rows.append({**head, **tested, **why.columns})
    return pl.DataFrame(rows, schema=PAIR_SCHEMA)
