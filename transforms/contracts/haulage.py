"""Schema of logged truck positions, and the haulage columns of weigh tickets."""

import dataframely as dy
import polars as pl

from transforms.contracts.times import moment

TRUCK_COLUMNS = ("truck_id", "trailer_id", "tared_at", "gang_id")
"""Columns of a ticket that describe its haulage; tracing reads those that a field's tickets have."""


class TruckPosition(dy.Schema):
    """Position of one truck at one instant, at any interval from seconds to minutes."""

    truck_id = dy.String(primary_key=True, min_length=1)
    logged_at = moment(primary_key=True)
    lat_deg = dy.Float64(min=-90, max=90)
    lon_deg = dy.Float64(min=-180, max=180)
    speed_kmh = dy.Float64(nullable=True, min=0, max=200)

    @dy.rule()
    def position_not_fixed(cls) -> pl.Expr:
        """Receivers write 0, 0 while they have no position."""
        return (pl.col("lat_deg") != 0) | (pl.col("lon_deg") != 0)
