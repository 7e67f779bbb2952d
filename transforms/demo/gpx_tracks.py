"""Truck positions as GPX 1.1: a track of each truck, named after it."""

from html import escape

import polars as pl

HEAD = """<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="recorder" xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="urn:recorder">"""


def gpx_text(positions: pl.DataFrame) -> str:
    """Return truck positions as a GPX file.

    Args:
        positions: `truck_id, logged_at, lat_deg, lon_deg, speed_kmh`, times in UTC.
    """
    lines = [HEAD]
    for (truck,), track in positions.group_by("truck_id", maintain_order=True):
        lines.append(f"<trk><name>{escape(str(truck))}</name><trkseg>")
        for row in track.iter_rows(named=True):
            at, speed = f"{row['logged_at']:%Y-%m-%dT%H:%M:%SZ}", row["speed_kmh"] / 3.6
            place = f'lat="{row["lat_deg"]:.6f}" lon="{row["lon_deg"]:.6f}"'
            extension = f"<extensions><x:speed>{speed:.3f}</x:speed></extensions>"
            lines.append(f"<trkpt {place}><time>{at}</time>{extension}</trkpt>")
        lines.append("</trkseg></trk>")
    return "\n".join([*lines, "</gpx>"]) + "\n"
