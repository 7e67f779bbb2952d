"""Tables that an upgrade of the warehouse keeps: rows read from files, and rows that no run can recompute.

An upgrade copies these tables column by column; `sql/migrations/` fills the columns they lacked. All other tables are
derived from them and from the lake, so an upgrade drops them and the next run recomputes them.
"""

CARRIED = {
    "source_file",
    "source_finding",
    "rejected_row",
    "inbox_file",
    "trial_load",
    "trial_result",
    "varied_load",
    "rolled_day",
    "failed_read",
    "upgrade",
    "lake_file",
    "advice_issued",
}
RENAMED = {"given_advice": "advice_issued"}
"""Earlier name of a carried table -> its name now; the migration of the earlier name renames it."""


def current_name(name: str) -> str:
    """Return the name that a table of an earlier layout has now."""
    return RENAMED.get(name, name)


def is_carried(name: str) -> bool:
    """Return True if an upgrade keeps the table because no run can recompute it.

    >>> is_carried("received_tare"), is_carried("effect")
    (True, False)
    """
    return name in CARRIED or name.startswith("received_")
