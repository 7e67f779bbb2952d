"""Evidence of trucks on the loads of one stretch; every source is optional."""

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.day_clocks import DayClocks
from transforms.trace.mass_streams import Stretch
from transforms.trace.truck_home import Homes
from transforms.trace.truck_keeping import Keeping
from transforms.trace.truck_return import back_min
from transforms.trace.truck_sides import beside_weights

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TruckEvidence:
    """Evidence of trucks on n loads and M streams.

    Attributes:
        homes: trips, vehicles and gangs of the loads.
        back_min: when the truck of each load was back at the field, minutes since 1970, shape (n,); NaN if unknown.
        beside: weight of each machine from the stops of the load's truck beside machines, shape (n, M); 1 if unknown.
        keeping: how far trucks keep to machines elsewhere in the season.
    """

    homes: Homes
    back_min: Array
    beside: Array
    keeping: Keeping = field(default_factory=Keeping)

    @classmethod
    def of(
        cls,
        loads: pl.DataFrame,
        left_min: Array,
        stretch: Stretch,
        clocks: DayClocks,
        beside: dict[str, dict[str, float]],
    ) -> "TruckEvidence":
        """Return the evidence on the loads of a stretch.

        Args:
            loads: n loads in order of departure.
            left_min: departure of each load, minutes since 1970.
            stretch: the stretch of work.
            clocks: lags and clocks of its day.
            beside: load -> machine -> minutes that its truck was beside it, if its truck was beside any.
        """
        machines = [s.machine_id for s in stretch.streams]
        return cls(
            Homes.of(loads, len(machines)),
            back_min(loads, left_min, stretch, clocks.min_per_km),
            beside_weights(loads["load_id"].to_list(), machines, beside),
            clocks.keeping,
        )
