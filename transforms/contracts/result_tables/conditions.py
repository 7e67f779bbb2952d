"""Result tables of conditions; `sql/results/` says what a row of each is."""

import dataframely as dy


class FieldHour(dy.Schema):
    """Rows of `field_hour`."""

    field_id = dy.String()
    hour_at = dy.Datetime(time_unit="us", time_zone="UTC")
    topsoil_wetness = dy.Float64(nullable=True)
    air_temp_c = dy.Float64(nullable=True)
    air_temp_10d_c = dy.Float64(nullable=True)
    rain_24h_mm = dy.Float64(nullable=True)
    rain_72h_mm = dy.Float64(nullable=True)
