"""Slow proof: is the realised saving covered, and are promises that rest on confounded effects found out?

`pytest -m slow tests/validation/test_realised.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=8` makes a quick run that only prints them. A run takes a minute or two.
"""

import os
from typing import Any

import polars as pl
import pytest

from tests.support.invented_savings import invent
from tests.support.results_page import VALIDATION, markdown_table, write_figures
from transforms.advice.reliance import reliance
from transforms.arrays import to_float
from transforms.outcome.realised import advice_calibration, realised_saving, shift_units
from transforms.outcome.setting_slopes import setting_slopes

PAGE_SEASONS = 100
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
CONFOUNDED = "confounded effects"
KINDS: dict[str, dict[str, Any]] = {
    "none": {"is_confounded": False},
    CONFOUNDED: {"is_confounded": True},
    "followed where hidden dirt is low": {"is_confounded": False, "hold_back": 0.12, "hidden_choice": 1.5},
}


STATED = (("below 0.5", 0.0, 0.5), ("0.5 to 0.8", 0.5, 0.8), ("0.8 or more", 0.8, 1.01))
"""Name and bounds of classes of recalibrated probability; moves are advised from 0.8 on."""


def stated(seed: int) -> list[dict[str, object]]:
    """Return the probability of each setting's move of a confounded season before and after it was recalibrated."""
    season = invent(seed, **KINDS[CONFOUNDED])
    units = shift_units(season.moves, season.loads)
    known = reliance(pl.concat([advice_calibration(units), setting_slopes(season.moves, units)]))
    moved = season.moves["setting"].unique()
    return [
        {
            "setting": "advised before" if name in moved else "not advised yet",
            "is_recalibrated": known is not None,
            "by_fit": by_fit,
            "stated": by_fit if known is None else known.probability(by_fit, name),
            "saves": season.saves[name],
        }
        for name, by_fit in season.by_fit.items()
    ]


def probability_lines(moves: pl.DataFrame) -> list[str]:
    """Return the table of probabilities before and after they were recalibrated against moves that truly save."""
    rows = []
    for is_recalibrated, setting in ((True, "advised before"), (True, "not advised yet"), (False, "advised before")):
        own = moves.filter(pl.col("setting") == setting, pl.col("is_recalibrated") == is_recalibrated)
        classes = [
            ("all", own),
            *((n, own.filter(pl.col("stated").is_between(a, b, closed="left"))) for n, a, b in STATED),
        ]
        rows += [
            [setting, "yes" if is_recalibrated else "no", name, str(part.height),
             *(f"{to_float(part[c].mean()):.2f}" for c in ("by_fit", "stated", "saves"))]
            for name, part in (classes if is_recalibrated else classes[:1])
            if part.height
        ]  # fmt: skip
    head = ["setting", "recalibrated", "stated after", "moves", "stated by the fit", "stated after, mean", "truly save"]
    return markdown_table(head, rows)


def judged(seed: int, kind: str) -> dict[str, object]:
    """Return the figures of one season beside the truth."""
    season = invent(seed, **KINDS[kind])
    units = shift_units(season.moves, season.loads)
    by_group = {r["group_code"]: r for r in realised_saving(units).iter_rows(named=True)}
    made, by_lot = by_group["made"], by_group.get("randomised")
    slope = advice_calibration(units).row(0, named=True)
    sides = [units.filter(pl.col("is_made") == side)["saved_per_t"].mean() for side in (True, False)]
    return {
        "kind": kind,
        "true": season.true_made,
        "promised": made["promised_per_t"],
        "realised": made["realised_per_t"],
        "plain": sides[0] - sides[1],
        "covered": made["lo95"] <= season.true_made <= made["hi95"],
        "not_as_promised": made["verdict_code"] == "not_as_promised",
        "slope": slope["value"],
        "true_shown": season.true_shown if by_lot else None,
        "by_lot": by_lot and by_lot["realised_per_t"],
        "by_lot_covered": by_lot and by_lot["lo95"] <= season.true_shown <= by_lot["hi95"],
    }


@pytest.mark.slow
def test_the_realised_saving_is_covered_and_broken_promises_are_reported():
    seasons = [judged(1000 * k + s, kind) for k, kind in enumerate(KINDS, start=1) for s in range(SEASONS)]
    table = pl.DataFrame(seasons, infer_schema_length=None)
    by_kind = table.group_by("kind", maintain_order=True).agg(
        pl.col("true", "promised", "realised", "plain", "covered", "not_as_promised", "slope").mean(),
        pl.col("true_shown", "by_lot", "by_lot_covered").mean(),
        pl.col("by_lot").std().alias("by_lot_sd"),
        (pl.col("realised") - pl.col("true")).std().alias("sd"),
    )
    head = ["hidden factor", "true", "promised", "realised (sd of its error)", "plain difference", "covered",
            "not as promised", "calibration slope"]  # fmt: skip
    lot_head = ["hidden factor", "true saving of showing advice", "by lot (sd)", "covered"]
    rows = [
        [r["kind"], f"{r['true']:.3f}", f"{r['promised']:.3f}", f"{r['realised']:.3f} ({r['sd']:.3f})",
         f"{r['plain']:.3f}", f"{r['covered']:.2f}", f"{r['not_as_promised']:.2f}", f"{r['slope']:.2f}"]
        for r in by_kind.iter_rows(named=True)
    ]  # fmt: skip
    lot_rows = [
        [r["kind"], f"{r['true_shown']:.3f}", f"{r['by_lot']:.3f} ({r['by_lot_sd']:.3f})", f"{r['by_lot_covered']:.2f}"]
        for r in by_kind.drop_nulls("by_lot").iter_rows(named=True)
    ]
    moves = pl.DataFrame([row for s in range(SEASONS) for row in stated(1000 * 2 + s)])
    write_figures(
        VALIDATION,
        "realised saving",
        [
            *markdown_table(head, rows),
            "",
            *markdown_table(lot_head, lot_rows),
            "",
            CONFOUNDED.capitalize() + ":",
            "",
            *probability_lines(moves),
        ],
        f"{SEASONS} seasons of each kind",
        only_print=SEASONS < PAGE_SEASONS,
    )
    found = {r["kind"]: r for r in by_kind.iter_rows(named=True)}
    assert all(found[kind]["covered"] >= 0.93 for kind in ("none", CONFOUNDED))
    assert found["followed where hidden dirt is low"]["by_lot_covered"] >= 0.93
    assert found[CONFOUNDED]["not_as_promised"] >= 0.80
    assert all(found[kind]["not_as_promised"] <= 0.05 for kind in KINDS if kind != CONFOUNDED)
    again = moves.filter("is_recalibrated")
    for part in (again, again.filter(pl.col("setting") == "advised before")):
        means = part.select(pl.col("by_fit", "stated", "saves").mean()).row(0)
        assert abs(means[1] - means[2]) <= 0.10
        assert means[0] - means[2] > 0.3
    advised = again.filter(pl.col("stated") >= 0.8)
    assert to_float(advised["saves"].mean()) >= 0.8
