"""Lags and clock offsets that the tracing of one shift day uses."""

from dataclasses import dataclass, field

import numpy as np

from transforms.trace.truck_keeping import Keeping

CLOCKS_SD_MIN = 1.5
"""Standard error of lags and clocks, which are rounded to whole minutes."""
USUAL_LAG_MIN, USUAL_LAG_SD_MIN = 14.0, 20.0
USUAL_MIN_PER_KM, USUAL_MIN_PER_KM_SD = 1.45, 0.2
"""Prior of waiting and weighing, and of driving at about 41 km/h (common practice, no source)."""
USUAL_SPREAD_MIN, USUAL_LEAVE_MIN, USUAL_LEAVE_SPREAD_MIN = 5.0, 3.0, 3.0


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
