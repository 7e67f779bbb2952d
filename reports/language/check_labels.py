"""What the pages say of a fit's checks: how many were passed, which were not, and which are of an earlier shift."""

import polars as pl

from reports.language.basis_messages import earlier_note
from reports.language.labels import stored_words
from reports.language.translate import local_date, say, say_n
from transforms.config.settings_catalogue import Catalogue
from transforms.storage.product_basis import FIT_CHECK, product_status
from transforms.storage.warehouse import Warehouse


def check_words(warehouse: Warehouse, response: str, catalogue: Catalogue) -> str:
    """Return how many checks of a fit were passed, and each that was not; nothing where none was made."""
    made = warehouse.query("fit_verdict").filter((pl.col("response") == response) & (pl.col("made") > 0))
    if not made.height:
        return ""
    checks = warehouse.table("fit_check").filter(pl.col("response") == response)
    verdict = made.row(0, named=True)
    counts = {"passed": verdict["passed"], "made": verdict["made"]}
    counted = say("{passed} of {made} checks of this fit were passed.", **counts)
    if earlier := earlier_note(FIT_CHECK, product_status(warehouse, FIT_CHECK)):
        counted = say("{passed} of {made} checks were passed.", **counts) + " " + earlier[0].text
    failed = [
        say("Not passed: {says}.", says=stored_words(r, catalogue))
        for r in checks.filter(~pl.col("passed")).iter_rows(named=True)
    ]
    return " ".join(t for t in (counted, of_an_earlier_shift(checks), *failed) if t)


def of_an_earlier_shift(checks: pl.DataFrame) -> str:
    """Return which rows of `fit_check` judge an earlier shift's fit; nothing where all judge the same."""
    made = checks.drop_nulls(["passed", "last_shift_date"])
    old = made.filter(pl.col("last_shift_date") < pl.col("last_shift_date").max())
    if not old.height:
        return ""
    return say_n(
        "{n} check fits the model again: it stands as of the shift of {day} and is made anew every night.",
        "{n} checks fit the model again: they stand as of the shift of {day} and are made anew every night.",
        old.height,
        day=local_date(old["last_shift_date"].min(), "yMMMEd"),
    )
