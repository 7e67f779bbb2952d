"""Sentences and notes on the fit and the shift on which advice, guide, comparison and checks are based."""

from typing import Any

from reports.language.display_units import DisplayUnits
from reports.language.translate import local_date, mark, say
from reports.page.model import Prose
from transforms.contracts.result_tables.fit import LAST_NIGHT
from transforms.storage.product_basis import ADVICE, BENCHMARK, FIT_CHECK, GUIDE, BasisCode, ProductStatus

RENEWED_BY = {
    ADVICE: mark(
        "This advice is based on an earlier fit or shift than the latest one. Compute it again with 'taretrace advise'."
    ),
    BENCHMARK: mark(
        "This comparison is based on an earlier fit than the latest one. Compute it again with 'taretrace post-shift'."
    ),
    GUIDE: mark(
        "This guide is based on an earlier fit than the latest one. Compute it again with 'taretrace post-shift'."
    ),
    FIT_CHECK: mark("These checks belong to an earlier fit than the latest one. Run them again with 'taretrace fit'."),
}


def advice_words(status: ProductStatus, shown: DisplayUnits, *, is_empty: bool) -> str:
    """Return a sentence if advice is missing or belongs to an earlier fit or shift; empty if it is current."""
    if is_empty and status.is_earlier:
        return say(
            "There is no advice: when it was last computed, too few loads were measured and traced. Compute it again "
            "with 'taretrace advise'."
        )
    code, day = status.code, status.last_shift_date
    if code is BasisCode.NOT_COMPUTED:
        return say("No advice has been computed yet. Compute it with 'taretrace advise'.")
    if code is BasisCode.TOO_FEW_LOADS:
        return say("There is no advice: too few loads are measured and traced.")
    if code is BasisCode.EARLIER_SHIFT and day is not None:
        return say(
            "This advice was computed after the shift of {day}; a later shift has arrived since. Compute it again with "
            "'taretrace advise'.",
            day=shown.day(day),
        )
    if code is BasisCode.CURRENT:
        return ""
    return say("This advice is based on an earlier fit than the latest one. Compute it again with 'taretrace advise'.")


def earlier_note(product: str, status: ProductStatus) -> tuple[Prose, ...]:
    """Return a note if a product belongs to an earlier fit; empty if it belongs to the latest one."""
    return (Prose(say(RENEWED_BY[product]), note=True),) if status.is_earlier else ()


def basis_line(status: ProductStatus, shown: DisplayUnits) -> str:
    """Return a sentence on the fit and the shift on which advice is based; empty if there is none."""
    if status.fitted_at is None or status.last_shift_date is None:
        return ""
    year = local_date(status.fitted_at, "yMMMd")
    line = say(
        "The advice is based on the fit of {fitted} and on the loads up to the shift of {day}.",
        fitted=f"{year} {shown.clock(status.fitted_at)}",
        day=shown.day(status.last_shift_date),
    )
    if status.variances_shift_date is None:
        return line
    by_day = say(
        "It is the quick fit after a shift. It builds on the full fit up to the shift of {night}; the next night makes "
        "a full one again.",
        night=shown.day(status.variances_shift_date),
    )
    return f"{line} {by_day}"


def by_day_words(run: dict[str, Any]) -> str:
    """Return the sentence that a row of `fit_run` is a fit by day, after a space; empty for another fit."""
    if run["variances_from"] != LAST_NIGHT:
        return ""
    until = local_date(run["variances_shift_date"], "yMMMd")
    return " " + say("Quick fit after a shift, built on the full fit up to {date}.", date=until)
