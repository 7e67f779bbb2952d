"""Headings of stored columns, for people: a reason names a column by its heading, never by its stored name."""

from reports.language.labels import setting_label
from reports.language.translate import locale, mark, say
from transforms.config.settings_catalogue import Catalogue

HEADINGS = {
    "air_temp_c": mark("Air temperature"),
    "air_temp_max_c": mark("Highest air temperature"),
    "air_temp_min_c": mark("Lowest air temperature"),
    "amino_n_mmol_per_kg": mark("Amino nitrogen"),
    "area_ha": mark("Area"),
    "audit_id": mark("Audit"),
    "audited_at": mark("Audited"),
    "boundary": mark("Outline"),
    "broken_2_4_cm_count": mark("Broken tips of 2 to 4 cm"),
    "broken_4_6_cm_count": mark("Broken tips of 4 to 6 cm"),
    "broken_6_8_cm_count": mark("Broken tips of 6 to 8 cm"),
    "broken_over_8_cm_count": mark("Broken tips over 8 cm"),
    "cancelled": mark("Cancelled"),
    "clay_pct": mark("Clay"),
    "cleaning_elements": mark("Cleaning elements"),
    "day_at": mark("Day"),
    "dirt_tare_pct": mark("Dirt tare"),
    "element": mark("Quantity"),
    "field_id": mark("Field"),
    "file": mark("File"),
    "generation": mark("Machine generation"),
    "gross_t": mark("Gross weight"),
    "grower_id": mark("Grower"),
    "hour_at": mark("Hour"),
    "humidity_pct": mark("Humidity"),
    "irradiation_mj_m2": mark("Irradiation"),
    "issued_at": mark("Issued"),
    "lat_deg": mark("Latitude"),
    "left_field_at": mark("Left the field"),
    "line": mark("Line"),
    "load_id": mark("Load"),
    "load_number": mark("Load counter"),
    "loaded_t": mark("Loaded mass"),
    "logged_at": mark("Logged"),
    "lon_deg": mark("Longitude"),
    "machine_id": mark("Machine"),
    "net_t": mark("Net weight"),
    "operator_id": mark("Operator"),
    "organic_matter_pct": mark("Organic matter"),
    "part": mark("Part of the file"),
    "plot_m2": mark("Plot"),
    "potassium_mmol_per_kg": mark("Potassium"),
    "rain_mm": mark("Rain"),
    "revision": mark("Revision"),
    "root_mass_kg": mark("Mass of a root"),
    "row_spacing_cm": mark("Row spacing"),
    "rows_count": mark("Rows lifted at once"),
    "sample_id": mark("Sample"),
    "sample_kg": mark("Sample mass"),
    "sand_pct": mark("Sand"),
    "sections_on_pct": mark("Sections on"),
    "site_id": mark("Factory"),
    "sodium_mmol_per_kg": mark("Sodium"),
    "station_id": mark("Weather station"),
    "sugar_pct": mark("Sugar"),
    "tank_capacity_t": mark("Tank capacity"),
    "tank_t": mark("Mass in the tank"),
    "top_tare_pct": mark("Top tare"),
    "unload_number": mark("Unloading counter"),
    "unloaded_t": mark("Unloaded mass"),
    "unloading": mark("Unloading"),
    "valid_from_at": mark("Valid from"),
    "value": mark("Value"),
    "weighed_at": mark("Weighed"),
    "whole_roots_count": mark("Whole roots left"),
    "wind_m_s": mark("Wind"),
    "work_state": mark("State of work"),
    "yield_t_ha": mark("Yield"),
}
"""Column of a source table -> its heading without the unit; settings have the label of the catalogue."""


def column_words(name: str, catalogue: Catalogue) -> str:
    """Return the heading of a stored column as part of a sentence; any other name, of a file's column, unchanged.

    English headings lose their capital; other languages keep theirs, because German nouns have one.
    """
    if name in catalogue:
        return setting_label(name, catalogue)
    if name not in HEADINGS:
        return name
    heading = say(HEADINGS[name])
    return heading[:1].lower() + heading[1:] if locale().language == "en" else heading
