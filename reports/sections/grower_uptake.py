"""Section of a grower's sheet on the changes advised for machines in own fields, with own loads beside them."""

from reports.language.display_units import DisplayUnits, number
from reports.language.precision import mass_words
from reports.language.reason_text import format_reason
from reports.language.translate import say, say_n
from reports.language.uptake_words import otherwise_made_words
from reports.page.model import Prose, Section
from reports.sections.few_loads import loads_words
from transforms.contracts.reason import Reason
from transforms.outcome.own_uptake import ComparedLoads, OwnUptake


def counts_words(uptake: OwnUptake) -> str:
    """Return the number of changes advised in own fields that were made, in part or not at all."""
    known = uptake.moves - uptake.unknown
    texts = [
        say_n(
            "For the machines in your fields, {n} change of a setting was advised that can be judged: {made} made.",
            "For the machines in your fields, {n} changes of settings were advised that can be judged: {made} made.",
            known,
            made=number(uptake.followed, 0),
        )
    ]
    texts += otherwise_made_words(uptake.partly, uptake.opposite)
    if uptake.unknown:
        texts.append(
            say_n("{n} further change cannot be judged.", "{n} further changes cannot be judged.", uptake.unknown)
        )
    return " ".join(texts)


def soil_words(own: ComparedLoads, shown: DisplayUnits) -> str:
    """Return the soil of own loads in shifts that made their changes compared with the expected; empty if unknown."""
    if own.soil_t is None or own.points is None:
        return ""
    mass, loads, points = mass_words(abs(own.soil_t), shown, 2), loads_words(own.loads), number(abs(own.points))
    if own.soil_t >= 0:
        return say(
            "Your loads of the shifts that made their changes ({loads}) held {mass} less soil than expected for their "
            "conditions, {points} points.",
            loads=loads,
            mass=mass,
            points=points,
        )
    return say(
        "Your loads of the shifts that made their changes ({loads}) held {mass} more soil than expected for their "
        "conditions, {points} points.",
        loads=loads,
        mass=mass,
        points=points,
    )


def others_words(own: ComparedLoads) -> str:
    """Return the difference of own loads in shifts that did not make their changes; empty if unknown."""
    if own.points is None:
        return ""
    values = {"points": number(abs(own.points)), "loads": loads_words(own.loads)}
    if own.points >= 0:
        return say("In the other shifts it was {points} points less than expected ({loads}).", **values)
    return say("In the other shifts it was {points} points more than expected ({loads}).", **values)


def uptake_section(uptake: OwnUptake, withheld: Reason | None, shown: DisplayUnits) -> Section:
    """Return the section on changes advised in own fields.

    Args:
        uptake: counts and loads of the grower alone.
        withheld: reason why expected values are withheld; None if they are shown.
        shown: units.
    """
    if withheld is not None:
        soil = [say("No expected value is shown: {reason}.", reason=format_reason(withheld))]
    else:
        soil = [t for t in (soil_words(uptake.with_moves, shown), others_words(uptake.without)) if t]
    doubt = say("The operator decides on the settings. This compares shifts; it does not prove a cause.")
    blocks = (Prose(counts_words(uptake)), Prose(" ".join([*soil, doubt])))
    return Section("own-uptake", say("Changes advised on your fields"), blocks)
