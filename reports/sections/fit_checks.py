"""Sentences on a fit's checks: number passed, those not passed, and those made after an earlier shift."""

import polars as pl

from reports.language.basis_messages import earlier_note
from reports.language.reason_text import row_reason
from reports.language.translate import local_date, say, say_n
from reports.sections.effects_data import FitChecksData
from transforms.config.settings_catalogue import Catalogue
from transforms.storage.product_basis import FIT_CHECK


def check_words(data: FitChecksData, response: str, catalogue: Catalogue) -> str:
    """Return the number of checks of a fit that passed, and each that did not; empty if none was made."""
    made = data.verdicts.filter((pl.col("response") == response) & (pl.col("made") > 0))
    if not made.height:
        return ""
    checks = data.checks.filter(pl.col("response") == response)
    verdict = made.row(0, named=True)
    counts = {"passed": verdict["passed"], "made": verdict["made"]}
    counted = say("{passed} of {made} checks of this fit passed.", **counts)
    if earlier := earlier_note(FIT_CHECK, data.status):
        counted = say("{passed} of {made} checks passed.", **counts) + " " + earlier[0].text
    failed = [
        say("Not passed: {reason}.", reason=row_reason(r, catalogue))
        for r in checks.filter(~pl.col("passed")).iter_rows(named=True)
    ]
    return " ".join(t for t in (counted, earlier_shift_note(checks), *failed) if t)


def earlier_shift_note(checks: pl.DataFrame) -> str:
    """Return a sentence on the rows of `fit_check` that belong to an earlier shift's fit; empty if there are none."""
    made = checks.drop_nulls(["passed", "last_shift_date"])
    old = made.filter(pl.col("last_shift_date") < pl.col("last_shift_date").max())
    if not old.height:
        return ""
    return say_n(
        "{n} check refits the model: it is from the shift of {day} and is repeated every night.",
        "{n} checks refit the model: they are from the shift of {day} and are repeated every night.",
        old.height,
        day=local_date(old["last_shift_date"].min(), "yMMMEd"),
    )
