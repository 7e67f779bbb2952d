"""File formats that a mapping can read, and the file name suffixes that imply them."""

FORMS = ("delimited", "sheet", "parquet", "geojson", "ghcn_daily", "gpx", "iso11783")
SUFFIX_FORM = {
    ".xlsx": "sheet",
    ".parquet": "parquet",
    ".geojson": "geojson",
    ".json": "geojson",
    ".dly": "ghcn_daily",
    ".gpx": "gpx",
    ".zip": "iso11783",
}
SELF_DESCRIBING = ("iso11783", "ghcn_daily", "gpx")
"""Formats that define their own columns, units and times; a mapping for one may omit `columns`."""

ZONED_SERIALS = {"epoch_s": 1_000_000.0, "epoch_ms": 1000.0}
"""Formats of times as numbers since 1970 in UTC -> microseconds per unit."""
EXCEL_SERIALS = {"excel_1900": (1899, 12, 30), "excel_1904": (1904, 1, 1)}
"""Formats of times as days of a workbook in local time -> year, month and day of zero. The first system counts a 29
February 1900 that did not exist, so that its zero is a day earlier for every date after it (ECMA-376-1, 18.17.4.1)."""
SERIAL_FORMATS = (*EXCEL_SERIALS, *ZONED_SERIALS)
"""Formats of times that are numbers."""
