"""Slow proofs: evidence that may be looked at on any day, and the readings of a trial by plan and by traced settings.

`pytest -m slow tests/validation/test_trial_reading.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_TRIALS=200` makes a quick run that only prints them. A run takes a minute.
"""

import itertools
import os

import numpy as np
import polars as pl
import pytest

from tests.support.invented_trials import Conditions, invent_trials
from tests.support.results_page import VALIDATION, markdown_table, write_figures
from transforms.arrays import Array
from transforms.trial.anytime import STOP_FROM, e_process
from transforms.trial.power import detectable_effect, power_of
from transforms.trial.randomisation import interval, signs

PAGE_TRIALS = 2000
TRIALS = int(os.environ.get("TARETRACE_TRIALS", PAGE_TRIALS))
LOOKS, LOOKED_AT = 200, 10 * TRIALS
TAILS = ("normal", "t, 2 degrees of freedom", "Cauchy", "one pair in ten with 30 times the noise")
READ_PAIRS = 12
STOPPING_HEAD = [
    "pairs planned",
    "sd of a difference",
    "true effect, of the planned",
    "fixed test finds it",
    "stops early",
    "mean pairs measured",
]


def null_differences(tails: str, rng: np.random.Generator) -> Array:
    """Return differences of pairs without an effect, shape (trials, looks)."""
    shape = (LOOKED_AT, LOOKS)
    if tails.startswith("t"):
        return 0.2 * rng.standard_t(2, shape)
    if tails == "Cauchy":
        return 0.2 * rng.standard_cauchy(shape)
    return rng.normal(0, 0.2, shape) * (1.0 if tails == "normal" else np.where(rng.random(shape) < 0.1, 30.0, 1.0))


@pytest.mark.slow
def test_false_alarms_over_all_looks_are_at_most_two_in_a_hundred():
    rows, alarms = [], []
    for k, tails in enumerate(TAILS):
        evidence = e_process(null_differences(tails, np.random.default_rng(k)))
        alarms.append(float(np.mean(evidence.max(axis=1) >= STOP_FROM)))
        rows.append([tails, f"{alarms[-1]:.4f}"])
    write_figures(
        VALIDATION,
        "false alarms of the evidence",
        markdown_table(["differences", f"trials that ever reach {STOP_FROM:.0f}"], rows),
        f"{LOOKED_AT} trials of {LOOKS} looks each",
        only_print=TRIALS < PAGE_TRIALS,
    )
    assert max(alarms) <= 0.02


def stopping(pairs: int, sd: float, effect: float, rng: np.random.Generator) -> tuple[float, float, float]:
    """Return the power of the fixed test, the share of trials that stop early, and the mean pairs measured."""
    d = rng.normal(effect, sd, (TRIALS, pairs))
    patterns = signs(min(pairs, READ_PAIRS)) if pairs <= READ_PAIRS else rng.choice([-1.0, 1.0], (2000, pairs))
    means = np.abs(d @ patterns.T) / pairs
    found = np.mean(means >= np.abs(d.mean(axis=1))[:, None] - 1e-12, axis=1) <= 0.05
    may_stop = e_process(d)[:, :-1] >= STOP_FROM
    stops = may_stop.any(axis=1)
    measured = np.where(stops, may_stop.argmax(axis=1) + 1, pairs)
    return float(found.mean()), float(stops.mean()), float(measured.mean())


@pytest.mark.slow
def test_the_evidence_ends_trials_of_large_effects_early():
    rows, share = [], {}
    for pairs, sd in ((12, 0.3), (30, 0.3), (30, 0.15), (80, 0.3)):
        planned = detectable_effect(pairs, sd, 0.8)
        for times in (1.0, 1.5, 2.0):
            power, stops, measured = stopping(pairs, sd, times * planned, np.random.default_rng(pairs))
            share[pairs, sd, times] = stops
            assert power == pytest.approx(power_of(pairs, times * planned, sd), abs=0.04)
            effect = f"{100 * np.expm1(times * planned):.0f} %, {times:g} times"
            rows.append([str(pairs), f"{sd:g}", effect, f"{power:.2f}", f"{stops:.2f}", f"{measured:.1f}"])
    write_figures(
        VALIDATION,
        "power of the evidence",
        markdown_table(STOPPING_HEAD, rows),
        f"{TRIALS} trials per row",
        only_print=TRIALS < PAGE_TRIALS,
    )
    assert all(v >= 0.8 for (_, _, times), v in share.items() if times == 2.0)


def readings(d: Array, doses: Array, patterns: Array, effect: float) -> dict[str, object]:
    """Return the estimate and the coverage of each reading of one trial."""
    found: dict[str, object] = {}
    # Weights by dose: the sums of products with the dose instead of the plain sums.
    for name, y, x in (("planned", d, None), ("traced", d, doses), ("weighted", d * doses, doses * doses)):
        low, high = interval(y, patterns, x)
        found[name] = float(y.sum() / (d.size if x is None else x.sum()))
        found[f"{name} covers"] = low <= effect <= high
    return found


@pytest.mark.slow
def test_the_traced_reading_is_that_of_the_planned_difference():
    rng, patterns, table = np.random.default_rng(36), signs(READ_PAIRS), []
    for effect, trend, trace_sd in itertools.product((0.0, 0.2), (0.0, 0.4), (0.05, 0.25)):
        made = invent_trials(TRIALS, READ_PAIRS, Conditions(effect, trend, trace_sd), rng)
        case = {"effect": effect, "trend": trend, "trace_sd": trace_sd}
        table += [case | readings(d, x, patterns, effect) for d, x in zip(made.differences, made.doses, strict=True)]
    by_kind = pl.DataFrame(table).group_by("effect", "trend", "trace_sd", maintain_order=True).mean()
    names = ("planned", "traced", "weighted")
    rows = [
        [
            *(f"{r[c]:g}" for c in ("effect", "trend", "trace_sd")),
            *(f"{r[n]:.3f}, {r[f'{n} covers']:.3f}" for n in names),
        ]
        for r in by_kind.iter_rows(named=True)
    ]
    head = ["true effect", "trend within a pair", "error of the trace", *(f"{n}: mean, covers" for n in names)]
    write_figures(
        VALIDATION,
        "readings of a trial",
        markdown_table(head, rows),
        f"{TRIALS} trials per row",
        only_print=TRIALS < PAGE_TRIALS,
    )
    for r in by_kind.iter_rows(named=True):
        assert r["traced covers"] >= 0.935
        assert r["traced"] == pytest.approx(r["effect"], abs=0.03)
        # Without an effect, the traced reading never rejects more.
        assert r["effect"] or r["traced covers"] >= r["planned covers"]
