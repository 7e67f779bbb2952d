"""Lags and clock offsets that the tracing of one shift day uses."""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from transforms.trace.truck_keeping import Keeping

Array = NDArray[np.float64]

CLOCKS_SD_MIN = 1.5
"""Standard error of lags and clocks, which are rounded to whole minutes."""
USUAL_LAG_MIN, USUAL_LAG_SD_MIN = 14.0, 20.0
USUAL_MIN_PER_KM, USUAL_MIN_PER_KM_SD = 1.45, 0.2
"""Prior of waiting and weighing, and of driving at about 41 km/h (common practice, no source)."""
USUAL_SPREAD_MIN, USUAL_LEAVE_MIN, USUAL_LEAVE_SPREAD_MIN = 5.0, 3.0, 3.0

HEAVY, T_PEAK = 4.0, 0.375
"""Degrees of freedom of the errors of lags, which are heavy-tailed because loads are delayed and stretches lose
tickets, and the density of that t distribution at 0."""


@dataclass(frozen=True)
class DayClocks:
    """Lags and clock offsets of one shift day.

    They are rounded, so that a field is traced again only if a value that it uses has changed noticeably.

    Attributes:
        site_lag_min: site -> minutes from leaving the field to the ticket's time, without the drive.
        min_per_km: minutes of driving per km of road.
        spread_min: robust standard deviation of one load's lag.
        leave_min: minutes from the emptying of the tank to the departure on the ticket.
        leave_spread_min: standard deviation of these minutes.
        machine_ahead_min: machine -> minutes its clock runs ahead; only clocks that are certainly wrong are included.
        closure: weighed over lifted mass of the fleet.
        delayed: share of loads that are delayed on the way.
        site_spread_min: site -> standard deviation of one load's lag; a site without one has `spread_min`.
        keeping: how far trucks keep to machines in the other fields of the season.
        haul_min: field -> site -> minutes that the drive takes beyond its km; fields lifted about the day.
        field_sd_min: field -> standard error of the lag that all loads of its stretch share, minutes.
        shared_sd_min: that of other fields, or of the field that `of_field` names.
    """

    site_lag_min: dict[str, float] = field(default_factory=dict)
    min_per_km: float = USUAL_MIN_PER_KM
    spread_min: float = USUAL_SPREAD_MIN
    leave_min: float = USUAL_LEAVE_MIN
    leave_spread_min: float = USUAL_LEAVE_SPREAD_MIN
    machine_ahead_min: dict[str, float] = field(default_factory=dict)
    closure: float = 1.0
    delayed: float = 0.08
    site_spread_min: dict[str, float] = field(default_factory=dict)
    keeping: Keeping = field(default_factory=Keeping)
    haul_min: dict[str, dict[str, float]] = field(default_factory=dict)
    field_sd_min: dict[str, float] = field(default_factory=dict)
    shared_sd_min: float = CLOCKS_SD_MIN

    def of_field(self, field_id: str) -> "DayClocks":
        """Return the values for one field, whose lags contain its own drives."""
        own = self.haul_min.get(field_id, {})
        lags = {site: lag + own.get(site, 0.0) for site, lag in self.site_lag_min.items()}
        sd = self.field_sd_min.get(field_id, self.shared_sd_min)
        return replace(self, site_lag_min=lags, haul_min={}, field_sd_min={}, shared_sd_min=sd)

    def lag_min(self, site: str, km: float) -> float:
        """Return the expected minutes from leaving the field to the ticket's time.

        Args:
            site: site of the ticket; an unknown one has the median lag of the others.
            km: road distance from the field to the site, km.
        """
        lag = self.site_lag_min.get(site)
        if lag is None:
            known = list(self.site_lag_min.values())
            lag = float(np.median(known)) if known else USUAL_LAG_MIN
        return lag + self.min_per_km * km

    def lag_sd_min(self, site: str) -> float:
        """Return the standard deviation of one load's lag to a site, minutes."""
        return self.site_spread_min.get(site, self.spread_min)


def lag_density(off_min: Array, sd_min: Array) -> Array:
    """Return the density of departures: t with `HEAVY` degrees of freedom, because some loads are long delayed.

    Args:
        off_min: estimated departure less the true one, minutes.
        sd_min: its standard deviation, minutes.
    """
    return np.asarray(T_PEAK / sd_min * (1 + (off_min / sd_min) ** 2 / HEAVY) ** (-(HEAVY + 1) / 2))
