"""Pairs of a date and a time of day in separate columns, as one name."""

from transforms.ingest.propose.header import Name
from transforms.ingest.propose.profile import ColumnProfile

GENERAL = {"date", "time", "hour", "number"}


def pair_clocks(names: list[Name], profiles: dict[str, ColumnProfile], columns: list[str]) -> list[Name]:
    """Return the names with each time of day joined to its date: that with the most common words, else the nearest.

    Args:
        names: parsed names of the columns.
        profiles: values of the columns.
        columns: columns in the order of the file.
    """
    at = {c: i for i, c in enumerate(columns)}
    clocks = [n for n in names if len(n.sources) == 1 and profiles[n.sources[0]].is_clock]
    if not clocks:
        return names
    dates = [n for n in names if len(n.sources) == 1 and _is_date(profiles[n.sources[0]])]
    if not dates:
        return names
    pairs: dict[tuple[str, ...], Name] = {}
    for clock in clocks:
        date = min(
            dates, key=lambda d: (-len(_meaning(d) & _meaning(clock)), abs(at[d.sources[0]] - at[clock.sources[0]]))
        )
        tokens = (*date.tokens, *(t for t in clock.tokens if t not in date.tokens))
        sources = (date.sources[0], clock.sources[0])
        pairs[sources] = Name(sources, tokens, zone=date.zone or clock.zone)
    used = {s for sources in pairs for s in sources}
    return [n for n in names if not set(n.sources) & used] + list(pairs.values())


def _is_date(profile: ColumnProfile) -> bool:
    return not profile.is_clock and profile.time_form is not None and not profile.time_form.has_clock


def _meaning(name: Name) -> set[str]:
    return {c for t in name.tokens for c in t.concepts or {t.text}} - GENERAL
