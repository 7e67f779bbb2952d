"""What of a warehouse of an earlier taretrace is carried over: what came from files, what nobody could work out again.

Those tables are taken over column by column, and `sql/migrations/` fills what they lacked. Everything else follows from
them and from the lake: it is dropped, and the next run works it out again.
"""

CARRIED = {
    "source_file",
    "source_finding",
    "rejected_row",
    "inbox_file",
    "trial_load",
    "trial_result",
    "rolled_day",
    "failed_read",
    "upgrade",
    "lake_file",
}


def is_carried(name: str) -> bool:
    """Whether a table holds what no run could work out again."""
    return name in CARRIED or name.startswith("received_")
