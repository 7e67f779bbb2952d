"""File formats that a mapping can read, and the file name suffixes that imply them."""

FORMS = ("delimited", "sheet", "parquet", "geojson", "ghcn_daily", "iso11783")
SUFFIX_FORM = {
    ".xlsx": "sheet",
    ".parquet": "parquet",
    ".geojson": "geojson",
    ".json": "geojson",
    ".dly": "ghcn_daily",
    ".zip": "iso11783",
}
SELF_DESCRIBING = ("iso11783", "ghcn_daily")
"""Formats that define their own columns, units and times; a mapping for one may omit `columns`."""
