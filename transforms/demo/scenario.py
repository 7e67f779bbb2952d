"""Size and scenario of the demo season: machine signals, ticket quality, clock errors and haulage."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Scenario:
    """Haulage and logging of a season; the defaults are those of `taretrace demo`.

    Attributes:
        signal: the unloading signal of every machine: `flag`, `level`, `counter` or `none`; None is a mixed fleet.
        ticket_ids: share of weigh tickets that name their machine.
        machines_a_field: number of machines that work a field together.
        sites: number of factories, 1 to 4.
        site_clocks: (site, minutes its weighbridge clock is ahead, first day).
        machine_clocks: (index of the machine, minutes its clock is ahead); a negative index counts from the end.
        clock_step: (index of the machine, day, minutes its logger's clock jumps in the first row after noon), or None.
        missing: share of loads without a weigh ticket.
        wrong_field: share of tickets with the wrong field.
        split: share of trucks weighed as truck and trailer, with a ticket each.
        heaps: share of fields whose beets are piled at the edge and hauled days later.
        forecast_error: standard deviation of the log of the field list's yield about the true yield.
        patchiness: standard deviation of the log of yield along a field.
        lag_scale: scale of the variation of waiting and driving times.
        capacity_sd_t: standard deviation of the truck capacity.
        truck_ids: share of weigh tickets that name truck, trailer and gang, and when the truck was weighed empty.
        truck_positions_s: seconds between two logged positions of a truck; 0 if no truck logs any.
        night: shifts run through the night.
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
    truck_ids: float = 1.0
    truck_positions_s: float = 0.0
    night: bool = False
    first_day: str = "2025-10-02"


DEMO = Scenario()


@dataclass(frozen=True)
class Plan:
    """Size and scenario of a simulated season.

    Attributes:
        machines: number of machines.
        days: length of the campaign in days.
        seed: seed of the random generator; the same seed gives a byte-identical season.
        hz: log records per second.
        scenario: how the season is hauled and logged.
    """

    machines: int = 12
    days: int = 30
    seed: int = 1
    hz: float = 0.1
    scenario: Scenario = DEMO
