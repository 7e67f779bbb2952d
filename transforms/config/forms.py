"""Forms of source files that a mapping can read."""

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
"""Forms that name their own columns, units and times; a mapping of one may leave `columns` out."""
