"""Order of the commands in help and completion: panels for the tasks of a user, in the order of the work."""

from reports.language.translate import mark

PROGRAM: dict[str, tuple[str, ...]] = {
    mark("Start"): ("demo", "init", "examples", "map", "check"),
    mark("After a shift"): ("post-shift", "ingest", "fit", "advise", "report", "rejected"),
    mark("Ask"): ("what-if", "benchmark", "piles", "explain", "status", "export"),
    mark("Season"): ("trial", "vary"),
    mark("Keep running"): ("serve", "notify", "doctor", "backup", "restore", "repair", "schema", "translate"),
}
"""Panel -> commands of the program."""
REPORT: dict[str, tuple[str, ...]] = {
    "After a shift": ("shift", "load"),
    "Season": ("season", "guide", "followed", "grower"),
}
"""Panel -> commands of the group `report`."""
PANELS = {"report": REPORT}
"""Group -> its panels; commands of other groups are in the order in which they are written."""


def panels_of(path: str) -> dict[str, tuple[str, ...]]:
    """Return the panels of the program or a group.

    Args:
        path: words that call it, such as `taretrace report`.

    >>> list(panels_of("taretrace report")), list(panels_of("taretrace trial"))
    (['After a shift', 'Season'], [])
    """
    _, _, group = path.partition(" ")
    return PANELS.get(group, {}) if group else PROGRAM


def arranged(names: list[str], path: str) -> list[str]:
    """Return the names of commands in the order of their panels; other names follow in their order."""
    order = [name for panel in panels_of(path).values() for name in panel]
    return sorted(names, key=lambda name: order.index(name) if name in order else len(order))
