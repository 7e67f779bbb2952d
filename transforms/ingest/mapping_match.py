"""Mappings that match a file by its name, and the precedence between two that read the same rows."""

import hashlib
from fnmatch import fnmatch

from transforms.ingest.constant_ids import find_id_conflict
from transforms.ingest.mapping import Mapping


def _base(file: str) -> str:
    return file.rsplit("/", 1)[-1]


def matching_mappings(file: str, mappings: list[Mapping]) -> tuple[Mapping, ...]:
    """Return every mapping whose patterns match a file, in order of name.

    Args:
        file: path of the file, relative to the inbox.
        mappings: the mappings of the workspace.
    """
    return tuple(m for m in mappings if m.is_match(_base(file)))


def is_narrower(mapping: Mapping, other: Mapping, file: str) -> bool:
    """Return True if a pattern of a mapping matches fewer names than every pattern of another one that matches a file.

    Args:
        mapping: the mapping.
        other: the other mapping.
        file: path of a file that both match, relative to the inbox.
    """
    others = other.matching_patterns(_base(file))
    return any(
        all(fnmatch(own, wide) and not fnmatch(wide, own) for wide in others)
        for own in mapping.matching_patterns(_base(file))
    )


def matched_fingerprint(file: str, matches: tuple[Mapping, ...]) -> str | None:
    """Return a hash of everything that decides how a file is read; if it changes, the file is read again.

    With one mapping it is the fingerprint of that mapping, as long as its constant ids hold for the file.

    Args:
        file: path of the file, relative to the inbox.
        matches: every mapping that matches the file.

    Returns:
        The hash; None without a mapping.
    """
    conflicts = [find_id_conflict(m, _base(file)) for m in matches]
    if len(matches) <= 1 and not any(conflicts):
        return matches[0].fingerprint() if matches else None
    parts = [
        (m.name, m.fingerprint(), m.matching_patterns(_base(file)), conflict)
        for m, conflict in zip(matches, conflicts, strict=True)
    ]
    return hashlib.sha256(repr(parts).encode()).hexdigest()
