"""All checks of joins, in the order in which they are reported."""

from transforms.joins.idle_tickets import tickets_of_idle_machines
from transforms.joins.join_finding import JoinFinding
from transforms.joins.join_frames import JoinFrames, Paths
from transforms.joins.mass_ratio import weighed_over_lifted
from transforms.joins.source_ratios import listed_yields, setting_units, stated_losses
from transforms.joins.truck_positions import positions_without_tickets, tickets_without_positions
from transforms.joins.unmatched_ids import (
    loads_without_field,
    loads_without_tare,
    machines_without_list,
    tares_without_load,
)

CHECKS = (
    tares_without_load,
    loads_without_tare,
    loads_without_field,
    machines_without_list,
    tickets_of_idle_machines,
    positions_without_tickets,
    tickets_without_positions,
    weighed_over_lifted,
    stated_losses,
    setting_units,
    listed_yields,
)


def join_findings(frames: JoinFrames, paths: Paths) -> list[JoinFinding]:
    """Return the findings of all checks; none if every join and every comparison is plausible.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Returns:
        Findings in the order of `CHECKS`.
    """
    return [finding for check in CHECKS for finding in check(frames, paths)]
