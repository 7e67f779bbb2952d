"""Texts on the outcome of the season's advice: changes made, saving promised and realised, verdict, and a warning."""

from typing import Any, NamedTuple

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.precision import money_range, plain_money
from reports.language.translate import mark, say, say_n
from reports.page.summary import Strip
from reports.sections.outcome_data import OutcomeData
from transforms.outcome.realised import MIN_MACHINES, MIN_UNITS

NO_MOVES = "no_moves"
VERDICTS = {
    NO_MOVES: mark("No change has been advised yet for a shift that has been worked."),
    "too_few": mark(
        "It is too early to compare promise and saving: it takes {units} shifts in which the changes were made and as "
        "many in which they were not, of {machines} machines or more."
    ),
    "as_promised": mark("That is as promised: the difference is within chance."),
    "more_than_promised": mark("That is more than promised, by more than chance."),
    "not_as_promised": mark("That is less than promised, by more than chance: expect less than advice says."),
    "unreliable": mark(
        "Larger promises did not save in proportion: per unit promised, {slope} ({span}) was saved. Use the advice for "
        "its order, not for its amounts."
    ),
}
"""Code of the verdict on the advice of the season -> sentence."""
MARKED = ("not_as_promised", "unreliable")
"""Verdicts with which advice is marked."""


class Outcome(NamedTuple):
    """Verdict on the advice of the season.

    Attributes:
        code: a key of `VERDICTS`.
        made: the row of `realised_saving` of shifts that made their moves; None if it has no figures.
        slope: the slope of `advice_calibration`; None without one.
    """

    code: str
    made: dict[str, Any] | None = None
    slope: dict[str, Any] | None = None


def outcome(data: OutcomeData) -> Outcome:
    """Return the verdict on the advice of the season; an unreliable slope prevails over the mean saving."""
    if not data.has_moves:
        return Outcome(NO_MOVES)
    made = data.saving.filter(pl.col("group_code") == "made", pl.col("verdict_code") != "too_few")
    slopes = data.calibration.filter(pl.col("part") == "slope")
    if not made.height:
        return Outcome("too_few")
    row, slope = made.row(0, named=True), slopes.row(0, named=True) if slopes.height else None
    if slope is not None and slope["verdict_code"] == "unreliable":
        return Outcome("unreliable", row, slope)
    return Outcome(row["verdict_code"], row, slope)


def headline(data: OutcomeData, shown: DisplayUnits) -> str:
    """Return the outcome in one sentence: changes made, and the saving per tonne promised and realised."""
    if not data.has_moves:
        return say("No advised change can be followed yet")
    followed = number(data.total["followed"], 0)
    found = outcome(data).made
    if found is None:
        return say_n(
            "{made} of {n} advised change made", "{made} of {n} advised changes made", data.known, made=followed
        )
    return say_n(
        "{made} of {n} advised change made; promised {promised}, saved {saved} ({span}) {unit}",
        "{made} of {n} advised changes made; promised {promised}, saved {saved} ({span}) {unit}",
        data.known,
        made=followed,
        promised=plain_money(found["promised_per_t"] * shown.per_tonne),
        **saved_numbers(found, shown),
    )


def verdict_words(data: OutcomeData) -> str:
    """Return the verdict on the advice of the season in a sentence or two."""
    found = outcome(data)
    slope = found.slope or {"value": None, "lo95": 0.0, "hi95": 0.0}
    return say(
        VERDICTS[found.code],
        units=MIN_UNITS,
        machines=MIN_MACHINES,
        slope=number(slope["value"], 2),
        span=say("{lo} to {hi}", lo=number(slope["lo95"], 2), hi=number(slope["hi95"], 2)),
    )


def saving_missing(data: OutcomeData) -> str:
    """Return the reason why no saving is shown; empty if one is."""
    return verdict_words(data) if outcome(data).made is None else ""


def saved_numbers(row: dict[str, Any], shown: DisplayUnits) -> dict[str, str]:
    """Return `saved`, its `span` and the `unit` of a row of `realised_saving`, for a sentence."""
    t = shown.per_tonne
    return {
        "saved": plain_money(row["realised_per_t"] * t),
        "span": money_range(row["lo95"] * t, row["hi95"] * t),
        "unit": shown.money_per_t,
    }


def lot_words(data: OutcomeData, shown: DisplayUnits) -> str:
    """Return what showing advice saved, compared with shifts from which it was withheld by lot; empty if not known."""
    drawn = data.saving.filter(pl.col("group_code") == "randomised", pl.col("verdict_code") != "too_few")
    if not drawn.height:
        return ""
    row = drawn.row(0, named=True)
    return say_n(
        "Compared by lot, showing advice saved {saved} ({span}) {unit}, promised {promised}; n = {n} shift.",
        "Compared by lot, showing advice saved {saved} ({span}) {unit}, promised {promised}; n = {n} shifts.",
        row["shifts"],
        promised=plain_money(row["promised_per_t"] * shown.per_tonne),
        **saved_numbers(row, shown),
    )


def lead_words(data: OutcomeData, shown: DisplayUnits) -> str:
    """Return the verdict, the basis of the figures in the headline, the contrast by lot, and the moves not judged."""
    made, unknown = outcome(data).made, data.total["unknown"]
    texts = [verdict_words(data)]
    if made is not None:
        basis = say_n(
            "Soil alone, in {n} shift of a machine that made its changes.",
            "Soil alone, in the {n} shifts of machines that made their changes.",
            made["shifts"],
        )
        texts = [verdict_words(data), basis]
    if by_lot := lot_words(data, shown):
        texts.append(by_lot)
    if unknown:
        texts.append(say_n("{n} further change cannot be judged.", "{n} further changes cannot be judged.", unknown))
    return " ".join(texts)


def warning_words(data: OutcomeData, shown: DisplayUnits) -> str:
    """Return one sentence if advice promised more than it saved this season; empty if it did not."""
    found = outcome(data)
    if found.code not in MARKED or found.made is None:
        return ""
    if found.code == "unreliable" and found.slope is not None:
        return say(
            "Per {currency} promised on soil, advice saved {slope}: expect less.",
            slope=number(max(found.slope["value"], 0.0), 2),
            currency=shown.currency,
        )
    t = shown.per_tonne
    return say(
        "Advice promised {promised} {unit} on soil, saved {saved}: expect less.",
        promised=plain_money(found.made["promised_per_t"] * t),
        saved=plain_money(found.made["realised_per_t"] * t),
        unit=shown.money_per_t,
    )


def warning_strip(data: OutcomeData, shown: DisplayUnits, followed_href: str) -> Strip | None:
    """Return the strip that marks advice which promised more than it saved this season; None if it did not."""
    text = warning_words(data, shown)
    return Strip(text, (say("Details"), followed_href)) if text else None
