"""Number of loads behind a value, with a warning if they are few."""

from reports.language.translate import say, say_n
from reports.page.theme import FEW


def loads_words(n: int) -> str:
    """Return a number of loads, marked as few below `FEW`.

    >>> loads_words(9), loads_words(30)
    ('9 loads, few', '30 loads')
    """
    count = say_n("{n} load", "{n} loads", n)
    return say("{loads}, few", loads=count) if n < FEW else count


def pale_words() -> str:
    """Return the meaning of pale colours."""
    return say("Pale: fewer than {n} loads.", n=FEW)
