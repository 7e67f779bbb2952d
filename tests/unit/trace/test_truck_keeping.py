import datetime as dt

import numpy as np
import polars as pl
import pytest

from transforms.trace.clock_use import clocks_fingerprint
from transforms.trace.truck_keeping import (
    GANG,
    KEEPING,
    RELIABILITIES,
    RELIABILITY_PRIOR,
    STRAYS,
    VEHICLE,
    Keeping,
    SeasonKeeping,
    mean_keeping,
    stray_evidence,
)

DAY = dt.date(2025, 10, 1)


def rows(evidence: dict[str, np.ndarray], kind: str = VEHICLE) -> pl.DataFrame:
    table = [(f, DAY, kind, s, v) for f, e in evidence.items() for s, v in zip(STRAYS, e, strict=True)]
    return pl.DataFrame(table, schema=KEEPING, orient="row")


def peak(at: float, width: float = 0.1) -> np.ndarray:
    return -0.5 * ((np.array(STRAYS) - at) / width) ** 2


def test_the_evidence_is_the_mean_over_reliabilities_by_full_enumeration():
    rng = np.random.default_rng(2)
    share = np.array([0.6, 0.4])
    odds = rng.dirichlet([2, 2], 7) / share
    group = np.array([0, 0, 0, 1, 1, 2, 2])
    expected = []
    for stray in STRAYS:
        by_reliability = [
            np.prod(
                [
                    sum(share[h] * np.prod((1 - stray) * (r * odds[group == g, h] + 1 - r) + stray) for h in range(2))
                    for g in range(3)
                ]
            )
            for r in RELIABILITIES
        ]
        expected.append(np.log(np.array(by_reliability) @ np.array(RELIABILITY_PRIOR)))
    found = stray_evidence(odds, group, share)
    assert found is not None
    assert found == pytest.approx(np.array(expected) - max(expected))


def test_groups_of_one_member_say_nothing():
    odds = np.array([[1.5, 0.5], [0.5, 1.5]])
    assert stray_evidence(odds, np.array([0, 1]), np.array([0.5, 0.5])) is None
    assert mean_keeping(None, Keeping().of_vehicle) == 1.0


def test_a_field_learns_from_all_others_and_not_from_itself():
    loyal, pooled = peak(0.05), peak(1.0)
    season = SeasonKeeping(rows({"F1": pooled, "F2": loyal, "F3": loyal}))
    alone, others = season.of("F1"), SeasonKeeping(rows({"F1": loyal, "F2": loyal, "F3": loyal})).of("F1")
    assert alone == others
    assert mean_keeping(np.zeros(7), alone.of_vehicle) > mean_keeping(np.zeros(7), Keeping().of_vehicle) + 0.1
    of_pools = SeasonKeeping(rows({"F1": loyal, "F2": pooled, "F3": pooled})).of("F1")
    assert mean_keeping(np.zeros(7), of_pools.of_vehicle) < mean_keeping(np.zeros(7), Keeping().of_vehicle) - 0.1
    # Its own evidence still counts for itself: trucks may keep to machines in one field alone.
    assert mean_keeping(20 * loyal, of_pools.of_vehicle) > 0.8


def test_fields_without_trucks_keep_their_prior_and_their_fingerprint():
    season = SeasonKeeping(rows({"F2": peak(0.05)}))
    assert season.of("F1") == Keeping()
    assert SeasonKeeping(rows({"F1": peak(0.05)})).of("F1") == Keeping()
    assert clocks_fingerprint("F1", [], {}, season.of("F1")) == clocks_fingerprint("F1", [], {})
    both = SeasonKeeping(rows({"F1": peak(0.05), "F2": peak(0.05)}))
    assert clocks_fingerprint("F1", [], {}, both.of("F1")) != clocks_fingerprint("F1", [], {})


def test_gangs_and_trucks_are_learnt_apart_and_a_little_more_evidence_changes_nothing():
    table = pl.concat([rows({"F1": peak(0.25), "F2": peak(0.05)}), rows({"F1": peak(0.05), "F2": peak(1.0)}, GANG)])
    found = SeasonKeeping(table).of("F1")
    assert mean_keeping(np.zeros(7), found.of_vehicle) > mean_keeping(np.zeros(7), found.of_gang) + 0.3
    nearly = SeasonKeeping(table.with_columns(pl.col("log_likelihood") * 1.001)).of("F1")
    assert nearly == found
    assert sum(found.of_vehicle) == pytest.approx(1)
    assert min(found.of_vehicle) > 0
