"""Example mappings of root checks and of dig-behind audits in several shapes."""

LINKS = """
[columns.load_id]
from = "Ticket"
[columns.machine_id]
from = "Machine"
[columns.field_id]
from = "Field"
"""
ROOT_CHECKS = f"""
# Root checks of an office: one row per check, local time.
kind = "root_check"
files = ["root_checks*.csv", "root_checks*.xlsx"]
time_zone = "Europe/Prague"
[columns.check_id]
from = "Check"
[columns.checked_at]
from = "Checked"
format = "%Y-%m-%d %H:%M"
{LINKS}
[columns.place]
from = "Place"
words = {{ Bunker = "tank", Miete = "pile", Hof = "yard" }}
[columns.checked_roots_count]
from = "Roots"
"""
"""Mapping without measurements; `measured` adds those of a file."""
UNITS = {
    "scalp_diameter_cm": "mm",
    "petiole_length_cm": "cm",
    "root_mass_kg": "g",
    "damaged_area_cm2_per_100_roots": "cm2",
}
"""Unit of the example files for measurements that have one."""
AUDITS = """
kind = "loss_audit"
files = ["audits*.csv"]
time_zone = "UTC"
[columns.audit_id]
from = "Audit"
[columns.machine_id]
from = "Machine"
[columns.field_id]
from = "Field"
[columns.audited_at]
from = "Dug"
format = "%Y-%m-%d %H:%M"
"""
"""Mapping without a plot or results; `mapped` adds them."""


def measured(*names: str) -> str:
    """Return the mapping of root checks whose file has some measurements, each in a column of its own name."""
    columns = [f'[columns.{n}]\nfrom = "{n}"\n' + (f'unit = "{UNITS[n]}"\n' if n in UNITS else "") for n in names]
    return ROOT_CHECKS + "".join(columns)


def mapped(**columns: tuple[str, str | None]) -> str:
    """Return the mapping of audits, with (column of the file, unit) for each further column."""
    texts = [
        f'[columns.{n}]\nfrom = "{source}"\n' + (f'unit = "{unit}"\n' if unit else "")
        for n, (source, unit) in columns.items()
    ]
    return AUDITS + "".join(texts)
