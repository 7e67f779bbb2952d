"""Trucks of the demo season: who hauled each load, by first come, first served.

Each machine has trucks of its own; a truck waits at the field after its way back, and the one that waits longest is
filled next. If none is back, another truck joins. Some loads are taken by a truck of another machine in the same field,
and some by a truck that helps out once.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.demo.district import km_between
from transforms.demo.season import DemoSeason

TRUCK_SEED = 32_452_843
ROAD_FACTOR, KMH = 1.3, 42.0
LEAVES_S = 240.0
"""A truck leaves at most this long after the start of the emptying that filled it; the next one takes the rest."""
WAIT_S = 900.0
"""A truck waits at most this long at the field."""
FIRST_FILL_S = 900.0
"""From the first emptying into the first truck of a day to its departure, about."""
TARE_S = (360.0, 840.0)
"""Shortest and longest time from weighing full to weighing empty."""
LEAK, HELPS_OUT, OTHER_GANG = 0.1, 0.02, 0.1
"""Shares of loads taken by a truck of another machine, and by one that comes once; of trucks in another gang."""
FIRST_NUMBER = 101


@dataclass(frozen=True)
class Trip:
    """Trip of a truck, in seconds since the season's first midnight.

    Attributes:
        truck: number of the truck.
        gang: number of its gang.
        machine: index of the machine that filled it; -1 for a heap.
        field_index: index of the field.
        site_id: the site.
        arrived_s: arrival at the field.
        from_s: start of its filling.
        left_s: departure from the field.
        weighed_s: weighing of the full truck.
        tared_s: weighing of the empty truck.
        drive_s: way from the site back to the field.
        orders: its tickets, as in `DemoSeason.tickets`.
    """

    truck: int
    gang: int
    machine: int
    field_index: int
    site_id: str
    arrived_s: float
    from_s: float
    left_s: float
    weighed_s: float
    tared_s: float
    drive_s: float
    orders: tuple[int, ...]


@dataclass
class _Truck:
    number: int
    gang: int
    back_s: float = -np.inf


class _Fleet:
    """Trucks of the season by the machine, or heap, that they serve."""

    def __init__(self, rng: np.random.Generator, machines: int) -> None:
        self.rng, self.machines, self.count = rng, machines, 0
        self.own: dict[tuple[str, int], list[_Truck]] = {}

    def _join(self, queue: tuple[str, int]) -> _Truck:
        is_other = self.rng.random() < OTHER_GANG
        gang = (queue[1] + is_other) % max(self.machines, 1) + 1
        self.count += 1
        return _Truck(FIRST_NUMBER + self.count - 1, gang)

    def next_truck(self, queue: tuple[str, int], others: list[tuple[str, int]], from_s: float) -> _Truck:
        """Return the truck that is filled next."""
        if self.rng.random() < HELPS_OUT:
            return self._join(queue)
        strays = bool(others) and self.rng.random() < LEAK
        chosen = others[int(self.rng.integers(len(others)))] if strays else queue
        trucks = self.own.setdefault(chosen, [])
        waiting = [t for t in trucks if t.back_s <= from_s]
        if waiting:
            return min(waiting, key=lambda t: (t.back_s, t.number))
        trucks.append(self._join(chosen))
        return trucks[-1]


def _departures(season: DemoSeason) -> pl.DataFrame:
    """Return the departures in order of the start of their filling; truck and trailer leave together."""
    together = season.tickets.group_by("machine", "left_s", "true_field", maintain_order=True).agg(
        pl.col("site_id").first(), pl.col("weighed_s").max(), pl.col("order")
    )
    key = ["machine", "true_field", pl.col("left_s") // 86_400]
    before = pl.col("left_s").shift(1).over(key)
    return (
        together.sort("left_s", "machine", "true_field")
        .with_columns((before.fill_null(pl.col("left_s") - FIRST_FILL_S) - LEAVES_S).alias("from_s"))
        .sort("from_s", "machine", "true_field", maintain_order=True)
    )


def truck_trips(season: DemoSeason) -> list[Trip]:
    """Return every trip of the season with its truck, in order of the start of filling."""
    rng = np.random.default_rng(season.plan.seed + TRUCK_SEED)
    fleet = _Fleet(rng, season.plan.machines)
    queues: dict[tuple[int, float], list[tuple[str, int]]] = {}
    out = []
    for row in _departures(season).iter_rows(named=True):
        field = row["true_field"]
        queue = ("machine", row["machine"]) if row["machine"] >= 0 else ("heap", field)
        here = queues.setdefault((field, row["left_s"] // 86_400), [])
        if queue not in here:
            here.append(queue)
        truck = fleet.next_truck(queue, [q for q in here if q != queue], row["from_s"])
        place = season.district.fields.row(field, named=True)
        km = ROAD_FACTOR * km_between(place["lat_deg"], place["lon_deg"], *season.district.sites[row["site_id"]])
        tared = row["weighed_s"] + rng.uniform(*TARE_S)
        drive = km / KMH * 3600 * (1.02 + 0.1 * rng.uniform(-1, 1))
        arrived = max(truck.back_s, row["from_s"] - WAIT_S)
        truck.back_s = tared + drive
        times = (arrived, row["from_s"], row["left_s"], row["weighed_s"], tared, drive)
        orders = tuple(row["order"])
        out.append(Trip(truck.number, truck.gang, row["machine"], field, row["site_id"], *times, orders))
    return out


def truck_columns(trips: list[Trip]) -> pl.DataFrame:
    """Return the haulage of each ticket: `order, truck_id, trailer_id, tared_s, gang_id`.

    Of a truck and a trailer with a ticket each, the second ticket is that of the trailer; both name the truck.
    """
    rows = [(order, f"LK {t.truck}", f"AN {t.truck}", t.tared_s, f"C{t.gang}") for t in trips for order in t.orders]
    schema = {"order": pl.Int64, "truck_id": pl.String, "trailer_id": pl.String, "tared_s": pl.Float64}
    return pl.DataFrame(rows, schema={**schema, "gang_id": pl.String}, orient="row")
