"""Suggestions for misspelled names of commands, settings, machines, kinds and keys."""

from collections.abc import Iterable, Sequence

from transforms.contracts.phrase import Phrase, phrase

MIN_SIMILARITY = 0.6
"""Minimum similarity of a suggested name: one less the share of edited letters."""
MIN_PART = 3
"""Minimum number of letters of a word that is suggested because it is part of a name."""
MAX_LISTED = 12
"""Maximum number of names in a list of what may be used."""


def _plain(name: str) -> str:
    return " ".join(name.casefold().replace("_", " ").replace("-", " ").split())


def similar_names(word: str, names: Iterable[str]) -> list[str]:
    """Return the names similar to a word, the most similar first; none if no name is similar.

    Letter case, hyphens and underscores do not matter. Similarity is that of Damerau and Levenshtein, so that two
    swapped letters count once; a name that contains the word comes after those spelled alike.

    >>> similar_names("post-shfit", ["post-shift", "what-if"])
    ['post-shift']
    >>> similar_names("depth", ["share_depth_cm", "topper_speed_rpm"])
    ['share_depth_cm']
    """
    from rapidfuzz import process  # noqa: PLC0415 (keeps --help quick)
    from rapidfuzz.distance import DamerauLevenshtein  # noqa: PLC0415

    wanted, listed = _plain(word), list(dict.fromkeys(names))
    found = process.extract(
        wanted,
        [_plain(n) for n in listed],
        scorer=DamerauLevenshtein.normalized_similarity,
        score_cutoff=MIN_SIMILARITY,
        limit=None,
    )
    alike = [listed[i] for _, _, i in found]
    parts = [n for n in listed if len(wanted) >= MIN_PART and wanted in _plain(n) and n not in alike]
    return alike + parts


def use_one_of(word: str, names: Sequence[str]) -> Phrase:
    """Return the remedy for a name that does not exist: the most similar name, or a list of all names."""
    similar = similar_names(word, names)
    if similar:
        return phrase("did you mean '{name}'?", name=similar[0])
    listed = ", ".join(names[:MAX_LISTED])
    if len(names) > MAX_LISTED:
        return phrase("use one of {names} and {n} more", names=listed, n=len(names) - MAX_LISTED)
    return phrase("use one of {names}", names=listed)
