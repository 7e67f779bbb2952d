"""Invented positions of trucks for the example files."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from transforms.demo.example_rows import Region


def truck_position_rows(r: "Region") -> list[dict[str, Any]]:
    """Return an hour of each truck, a position a minute: at a field, and on its way to the factory."""
    rows = []
    for truck in (1, 2, 3):
        lat, lon = r.place(truck)
        for i in range(60):
            way = min(1.0, max(0.0, (i - 30) / 30))
            rows.append(
                {
                    "truck_id": f"{r.prefix}T{truck}",
                    "logged_at": r.at(8, i),
                    "lat_deg": round(lat + way * (r.lat_deg - lat), 6),
                    "lon_deg": round(lon + way * (r.lon_deg - lon), 6),
                    "speed_kmh": 36.0 if way else 0.0,
                }
            )
    return rows
