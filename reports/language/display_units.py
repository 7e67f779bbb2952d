"""Conversion from stored to displayed units, metric or US, and number formats."""

import datetime as dt
import math
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from reports.language.translate import local_date, local_number, mark, translated
from transforms.contracts.units import conversion_factor

SHOWN = {
    "metric": {
        "cm": ("cm", "cm", 1),
        "mm": ("mm", "mm", 0),
        "km": ("km", "km", 0),
        "kmh": ("kmh", "km/h", 1),
        "t": ("t", "t", 0),
        "t/ha": ("t/ha", "t/ha", 1),
        "ha": ("ha", "ha", 1),
        "degC": ("degC", "°C", 0),
        "rain": ("mm", "mm", 1),
        "rpm": ("rpm", mark("rpm"), 0),
        "pct": ("pct", "%", 0),
        "flag": ("flag", "", 0),
    },
    "us": {
        "cm": ("in", "in", 2),
        "mm": ("in", "in", 2),
        "km": ("mi", "mi", 0),
        "kmh": ("mph", "mph", 1),
        "t": ("short_ton", "ton", 0),
        "t/ha": ("short_ton/acre", "ton/acre", 2),
        "ha": ("acre", "acre", 1),
        "degC": ("degF", "°F", 0),
        "rain": ("in", "in", 2),
        "rpm": ("rpm", mark("rpm"), 0),
        "pct": ("pct", "%", 0),
        "flag": ("flag", "", 0),
    },
}
"""System -> stored unit -> (displayed unit code, its symbol, decimals)."""
STORED = {"rain": "mm"}
NO_VALUE = "–"


def number(value: float | None, digits: int = 1, *, sign: bool = False) -> str:
    """Return a number in the locale's format with a true minus sign; a dash if it is missing or not finite.

    >>> number(1234.567, 1)
    '1,234.6'
    >>> number(3.2, 0, sign=True)
    '+3'
    >>> number(None)
    '–'
    """
    if value is None or not math.isfinite(value):
        return NO_VALUE
    text = f"{value:+,.{digits}f}" if sign else f"{value:,.{digits}f}"
    if float(text.replace(",", "")) == 0:
        text = text.lstrip("+-")
    return local_number(text)


@dataclass(frozen=True)
class DisplayUnits:
    """Unit system, currency and time zone in which a workspace's pages show quantities."""

    system: str
    currency: str
    zone: str

    def convert(self, value: float, unit: str) -> float:
        """Return a value converted from its stored unit to the displayed unit."""
        code = SHOWN[self.system][unit][0]
        factor, offset = conversion_factor(STORED.get(unit, unit), code, where="the page")
        return value * factor + offset

    def sign(self, unit: str) -> str:
        """Return the symbol of the unit displayed for a stored unit."""
        return translated(SHOWN[self.system][unit][1])

    def quantity(self, value: float | None, unit: str, *, digits: int | None = None) -> str:
        """Return a value with its unit."""
        if value is None:
            return NO_VALUE
        shown_digits = self.digits(unit) if digits is None else digits
        return f"{number(self.convert(value, unit), shown_digits)} {self.sign(unit)}".strip()

    @property
    def codes(self) -> dict[str, str]:
        """Stored unit -> code of the displayed unit."""
        return {stored: code for stored, (code, _, _) in SHOWN[self.system].items()}

    def digits(self, unit: str) -> int:
        """Return the usual number of decimals of the displayed unit."""
        return SHOWN[self.system][unit][2]

    def straight(self, unit: str) -> tuple[float, float]:
        """Return factor and offset from a stored unit to the displayed unit."""
        offset = self.convert(0.0, unit)
        return self.convert(1.0, unit) - offset, offset

    def money(self, value: float | None, digits: int = 0) -> str:
        """Return money with its currency."""
        return NO_VALUE if value is None else f"{number(value, digits)} {self.currency}"

    def per_t(self, value: float | None, *, sign: bool = False) -> str:
        """Return money per tonne (per short ton in US units); `value` is per metric tonne."""
        if value is None:
            return NO_VALUE
        return number(value * self.per_tonne, 2, sign=sign)

    @property
    def per_tonne(self) -> float:
        """Factor from money per metric tonne to money per displayed unit of mass."""
        return conversion_factor(SHOWN[self.system]["t"][0], "t", where="the page")[0]

    def per_area(self, value: float) -> float:
        """Return money per displayed unit of area, given money per hectare."""
        return value * conversion_factor(SHOWN[self.system]["ha"][0], "ha", where="the page")[0]

    @property
    def money_per_t(self) -> str:
        """Unit of money per displayed unit of mass."""
        return f"{self.currency}/{self.sign('t')}"

    def moment(self, at: dt.datetime) -> str:
        """Return a UTC time as local date and time of day."""
        local_at = at.astimezone(ZoneInfo(self.zone))
        return f"{local_date(local_at, 'MMMEd')} {self.clock(at)}"

    def second(self, at: dt.datetime) -> str:
        """Return a UTC time as local date and time of day with seconds."""
        local_at = at.astimezone(ZoneInfo(self.zone))
        return f"{local_date(local_at, 'MMMEd')} {local_date(local_at, 'Hms')}"

    def clock(self, at: dt.datetime) -> str:
        """Return the local time of day of a UTC time."""
        return local_date(at.astimezone(ZoneInfo(self.zone)), "Hm")

    def short_day(self, day: dt.date) -> str:
        """Return a date without its year, in the locale's format."""
        return local_date(day, "MMMEd")

    def day(self, day: dt.date) -> str:
        """Return a date in the locale's format."""
        return local_date(day, "yMMMEd")
