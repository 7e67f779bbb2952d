"""Words and habits of the offices of the fourth group, one TOML file per office."""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from tests.validation.dialects.invented_season import Ids

FOLDER = Path(__file__).with_name("words") / "fourth_group"
ORDER = {
    "load": "load_id revision issued_at cancelled field_id machine_id site_id left_field_at weighed_at delivered_t "
    "truck_empty_t truck_full_t clean_t",
    "tare": "sample_id load_id revision issued_at cancelled dirt_tare_pct top_tare_pct sugar_pct potassium_mmol_per_kg "
    "sodium_mmol_per_kg amino_n_mmol_per_kg sample_kg",
    "loss_audit": "audit_id machine_id field_id audited_at plot_m2 plot_length_m plot_rows_count row_spacing_cm "
    "sampled_roots_count broken_{} broken_count broken_mass_kg whole_roots_count whole_mass_kg lost_mass_kg "
    "root_mass_kg tip_loss_t_ha whole_root_loss_t_ha root_loss_t_ha",
    "root_check": "check_id checked_at load_id machine_id field_id place checked_roots_count petioles_over_2_cm_count "
    "petioles_up_to_2_cm_count clean_topped_count over_topped_count slanting_count scalp_diameter_cm "
    "petiole_length_cm broken_{} damaged_area_cm2_per_100_roots slightly_damaged_count severely_damaged_count "
    "root_mass_kg",
    "telemetry": "machine_id logged_at lat_deg lon_deg work_state unloading tank_t sections_on_pct topper_speed_rpm "
    "scalper_height_mm share_depth_cm share_drive_pct ground_speed_kmh intake_roller_height_mm "
    "intake_roller_speed_pct rear_roller_speed_pct rear_roller_reversed transfer_web_speed_pct cleaner_{}_speed_rpm "
    "separator_{}_height_mm",
    "weather_hour": "station_id hour_at air_temp_c humidity_pct wind_m_s irradiation_mj_m2 rain_mm",
    "weather_day": "station_id day_at air_temp_max_c air_temp_min_c humidity_pct wind_m_s irradiation_mj_m2 rain_mm",
    "forecast_hour": "station_id hour_at issued_at air_temp_c humidity_pct wind_m_s irradiation_mj_m2 rain_mm",
    "field": "field_id grower_id station_id lat_deg lon_deg area_ha sand_pct clay_pct organic_matter_pct yield_t_ha "
    "row_spacing_cm",
    "machine_setup": "machine_id valid_from_at generation operator_id rows_count row_spacing_cm tank_capacity_t "
    "cleaning_elements",
}
"""Kind -> table columns in the order of their names in a file of words; `{}` is a class or a number."""
BREAKS = {"2_4_cm_count": "2-4", "4_6_cm_count": "4-6", "6_8_cm_count": "6-8", "over_8_cm_count": ">8"}
EXTRAS = {
    "load": ("line", "grower", "variety", "plate", "haulier", "shift", "distance", "remark"),
    "tare": ("line", "analyst", "purity", "remark"),
    "telemetry": ("engine", "fuel", "satellites", "line"),
    "weather": ("dew_point", "pressure", "battery", "wind_direction"),
    "field": ("variety", "sown", "remark"),
    "check": ("inspector", "remark"),
    "setup": ("serial", "year", "plate"),
}
"""Group of kinds -> columns that nobody needs, in the order of their names."""
WORDS = (
    *("date", "clock", "left", "right", "total", "yes", "no", "forward", "reverse"),
    *("working", "turning", "road", "idle", "tank", "pile", "yard", "machine", "station", "issued"),
)
GROUPS = ("weights", "share_depth", "lab", "broken", "weather", "times", "position", "topping", "soil")


def _listed(text: str, count: int, where: str) -> list[str]:
    """Return the parts of a text between bars.

    Raises:
        ValueError: the text has another number of parts.
    """
    parts = [p.strip() for p in text.split("|")]
    if len(parts) != count:
        raise ValueError(f"{where}: {len(parts)} words, not {count}")
    return parts


@dataclass(frozen=True)
class FourthWords:
    """Words and habits of an office.

    Attributes:
        seed: number of the office.
        raw: its file.
        names: (kind, table column) -> header; numbered columns have a `{}`.
        words: key of `WORDS` or a kind -> word.
        groups: key of `GROUPS` -> header above several columns.
        extras: group of kinds -> column that nobody needs -> header.
    """

    seed: int
    raw: dict[str, Any]
    names: dict[tuple[str, str], str]
    words: dict[str, str]
    groups: dict[str, str]
    extras: dict[str, dict[str, str]]

    is_second = True  # all headers above several columns

    @property
    def language(self) -> str:
        """Return the language of the office."""
        return str(self.raw["language"])

    def group(self, key: str) -> str:
        """Return a header above several columns."""
        return self.groups[key]

    def name(self, kind: str, column: str) -> str:
        """Return the header of a table column."""
        if (kind, column) in self.names:
            return self.names[kind, column]
        first, _, rest = column.partition("_")
        if first == "broken":
            return self.names[kind, "broken_{}"].format(BREAKS[rest])
        number, _, end = rest.partition("_")
        return self.names[kind, f"{first}_{{}}_{end}"].format(number)

    def unit(self, kind: str, column: str, quantity: str) -> str | None:
        """Return the code of the unit of a column, if the office has chosen one for it or its quantity."""
        units = self.raw.get("units", {})
        return units.get(f"{kind}-{column}") or units.get(column) or units.get(quantity)

    def spelling(self, code: str) -> str | None:
        """Return the text of a unit, if the office has its own."""
        text = self.raw.get("spelling", {}).get(code)
        return None if text is None else str(text)

    def ids(self, rng: Random) -> Ids:
        """Draw the ids of the office."""
        raw = self.raw["ids"]
        numbers = rng.sample(range(1, 90), 15)
        south, north, west, east = raw["box"]
        return Ids(
            machines=tuple(raw["machine"].format(n) for n in numbers[:3]),
            fields=tuple(raw["field"].format(n) for n in numbers[3:10]),
            sites=tuple(raw["sites"]),
            stations=tuple(raw["stations"]),
            growers=tuple(raw["grower"].format(n) for n in numbers[10:]),
            load=raw["load"],
            sample=raw["sample"],
            audit=raw["audit"],
            check=raw["check"],
            operator=raw["operator"],
            latitudes=(south, north),
            longitudes=(west, east),
        )


def read_fourth_words(seed: int) -> FourthWords:
    """Return the words and habits of an office.

    Raises:
        ValueError: a list of words has the wrong length.
    """
    raw = tomllib.loads((FOLDER / f"{seed}.toml").read_text("utf-8"))
    names = {}
    for kind, order in ORDER.items():
        columns = order.split()
        listed = _listed(raw["names"][kind], len(columns), f"{seed} {kind}")
        names.update({(kind, c): name for c, name in zip(columns, listed, strict=True)})
    kinds = _listed(raw["kinds"], len(ORDER), f"{seed} kinds")
    words = dict(zip(WORDS, _listed(raw["words"], len(WORDS), f"{seed} words"), strict=True))
    groups = dict(zip(GROUPS, _listed(raw["groups"], len(GROUPS), f"{seed} groups"), strict=True))
    extras = {
        key: dict(zip(order, _listed(raw["extras"][key], len(order), f"{seed} extras {key}"), strict=True))
        for key, order in EXTRAS.items()
    }
    return FourthWords(seed, raw, names, words | dict(zip(ORDER, kinds, strict=True)), groups, extras)
