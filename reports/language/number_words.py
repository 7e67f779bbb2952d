"""Counts in words for headings: one to twelve in the page's language, larger counts as digits."""

from reports.language.translate import local_number, mark, say

NUMBER_WORDS = (
    mark("one"),
    mark("two"),
    mark("three"),
    mark("four"),
    mark("five"),
    mark("six"),
    mark("seven"),
    mark("eight"),
    mark("nine"),
    mark("ten"),
    mark("eleven"),
    mark("twelve"),
)
"""Words of the counts of machines and loads; a language that inflects them may translate them to digits."""


def count_words(*counts: int) -> tuple[str, ...]:
    """Return the counts of one heading as words, or all as digits if one is not from one to twelve.

    >>> count_words(3, 12), count_words(3, 1300)
    (('three', 'twelve'), ('3', '1,300'))
    """
    if all(1 <= n <= len(NUMBER_WORDS) for n in counts):
        return tuple(say(NUMBER_WORDS[n - 1]) for n in counts)
    return tuple(local_number(f"{n:,}") for n in counts)
