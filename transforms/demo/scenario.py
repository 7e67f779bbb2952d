"""What makes a season hard to trace: which signals machines log, how tickets are written, whose clocks are off."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Scenario:
    """How the season is hauled and logged; the default is what `taretrace demo` shows.

    Attributes:
        signal: how every machine shows that its tank empties: `flag`, `level`, `counter` or `none`; None is a mixed
            fleet.
        ticket_ids: share of weigh tickets that name their machine.
        machines_a_field: how many machines work a field together.
        sites: number of factories, 1 to 4.
        site_clocks: (site, minutes its weighbridge's clock is ahead, day from which it is).
        machine_clocks: (index of the machine, minutes its clock is ahead); a negative index counts from the end.
        clock_step: (index of the machine, day, minutes its logger's clock jumps at noon of that day), or None.
        missing: share of loads without a ticket.
        wrong_field: share of tickets that name another field.
        split: share of trucks weighed as truck and trailer, a ticket each.
        heaps: share of fields tipped at their edge and hauled days later.
        forecast_error: standard deviation of the log of the field list's yield about the true one.
        patchiness: standard deviation of the log of yield along a field.
        lag_scale: stretches what waiting and driving vary by.
        capacity_sd_t: standard deviation of what a truck takes.
        night: whether shifts run through the night.
        first_day: local date of the first shift.
    """

    signal: str | None = None
    ticket_ids: float = 0.7
    machines_a_field: int = 1
    sites: int = 3
    site_clocks: tuple[tuple[str, float, int], ...] = (("east", 7.0, 0),)
    machine_clocks: tuple[tuple[int, float], ...] = ((-1, 11.0),)
    clock_step: tuple[int, int, float] | None = (3, 4, 25.0)
    missing: float = 0.004
    wrong_field: float = 0.002
    split: float = 0.02
    heaps: float = 0.03
    forecast_error: float = 0.04
    patchiness: float = 0.03
    lag_scale: float = 1.0
    capacity_sd_t: float = 1.2
    night: bool = False
    first_day: str = "2025-10-02"


DEMO = Scenario()
