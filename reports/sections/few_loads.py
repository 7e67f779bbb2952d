"""Number of loads behind a value, with a warning if they are few."""

from reports.language.display_units import number
from reports.language.translate import say
from reports.page.theme import FEW


def loads_words(n: int) -> str:
    """Return a number of loads, marked as few below `FEW`.

    >>> loads_words(9), loads_words(30)
    ('n = 9, few loads', 'n = 30 loads')
    """
    return say("n = {n}, few loads", n=number(n, 0)) if n < FEW else say("n = {n} loads", n=number(n, 0))


def pale_words() -> str:
    """Return the meaning of pale colours."""
    return say("Pale: few loads, below {n}.", n=FEW)
