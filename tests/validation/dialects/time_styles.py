"""Ways in which invented offices write times."""

import datetime as dt
from dataclasses import dataclass
from random import Random
from zoneinfo import ZoneInfo

EXCEL_EPOCH = dt.datetime(1899, 12, 30)  # noqa: DTZ001 - local days


@dataclass(frozen=True)
class TimeStyle:
    """Way of writing times.

    Attributes:
        name: own name of the style.
        date, clock: strptime formats; empty for numbers such as serial days.
        is_split: True if date and time of day have a column each.
        is_utc: True if the text itself says that it is UTC, or has an offset, or counts from an epoch.
        is_padded: False if days, months and hours have no leading zero.
        joint: text between date and time of day; a T in ISO styles.
    """

    name: str
    date: str = ""
    clock: str = ""
    is_split: bool = False
    is_utc: bool = False
    is_padded: bool = True
    joint: str = " "

    def joined(self) -> str:
        """Return the format of a whole time; the name of the style for numbers."""
        if not self.date:
            return self.name
        return f"{self.date}T{self.clock}" if self.name.startswith("iso_t") else f"{self.date}{self.joint}{self.clock}"


_DATES = {
    "dot": "%d.%m.%Y",
    "slash": "%d/%m/%Y",
    "dash": "%d-%m-%Y",
    "short": "%d.%m.%y",
    "us": "%m/%d/%Y",
    "iso": "%Y-%m-%d",
}
DATES_OF = {
    "de": ("dot", "dot", "short", "iso"),
    "en": ("slash", "iso"),
    "fr": ("slash", "slash", "iso"),
    "pl": ("dot", "dash", "iso"),
    "nl": ("dash", "slash"),
    "es": ("slash", "dash"),
    "ru": ("dot", "short"),
    "cs": ("dot", "iso"),
}
_WITH_ZONE = (
    TimeStyle("iso_tz", "%Y-%m-%d", "%H:%M:%SZ", is_utc=True),
    TimeStyle("iso_toffset", "%Y-%m-%d", "%H:%M:%S%:z", is_utc=True),
    TimeStyle("epoch_s", is_utc=True),
    TimeStyle("epoch_ms", is_utc=True),
)
_SET_ASIDE = (
    TimeStyle("compact", "%Y%m%d", "%H%M%S"),
    TimeStyle("year_slash", "%Y/%m/%d", "%H:%M:%S"),
    TimeStyle("fraction", "%d.%m.%Y", "%H:%M:%S%.3f"),
    TimeStyle("month_word", "%d-%b-%Y", "%H:%M"),
)


def draw_time_style(rng: Random, language: str, source: str, *, is_us: bool, is_set_aside: bool) -> TimeStyle:
    """Draw the way in which a source of an office writes times.

    Args:
        rng: source of the draws.
        language: code of the language.
        source: machine, factory, office or weather; machines and weather services prefer ISO and epochs.
        is_us: True for an office with US habits.
        is_set_aside: True for an office that may use the styles set aside.
    """
    if is_set_aside and rng.random() < 0.35:
        return rng.choice(_SET_ASIDE)
    luck = rng.random()
    if source in {"machine", "weather"} and luck < 0.36:
        place = 0 if luck < 0.14 else 1 if luck < 0.24 else rng.choice([2, 3])
        return _WITH_ZONE[place]
    if luck > 0.93:
        return TimeStyle("excel_1900")
    date = _DATES["us" if is_us else rng.choice(DATES_OF[language])]
    if is_us and rng.random() < 0.6:
        return TimeStyle("us12", date, rng.choice(["%I:%M %p", "%I:%M:%S %p"]), is_split=luck > 0.75)
    clock = "%H:%M:%S" if source == "machine" else rng.choice(["%H:%M", "%H:%M:%S"])
    is_padded = not (language in {"cs", "de", "ru"} and "." in date and rng.random() < 0.25)
    return TimeStyle("local", date, clock, is_split=luck > 0.72, is_padded=is_padded)


def truncated(at: dt.datetime, style: TimeStyle) -> dt.datetime:
    """Return a time cut to the resolution of a style."""
    has_seconds = not style.clock or "%S" in style.clock
    return at.replace(second=at.second if has_seconds else 0, microsecond=0)


def written(at: dt.datetime, form: str, *, is_padded: bool) -> str:
    """Return a local time in a strptime format."""
    text = at.strftime(form.replace("%:z", "{offset}").replace("%.3f", ".{ms}"))
    if "{offset}" in text:
        offset = at.strftime("%z")
        text = text.replace("{offset}", f"{offset[:3]}:{offset[3:]}")
    text = text.replace("{ms}", f"{at.microsecond // 1000:03d}")
    if is_padded:
        return text
    head, _, tail = text.partition(" ")
    parts = [p.lstrip("0") or "0" for p in head.split(".")] if "." in head else [head]
    return " ".join(filter(None, [".".join(parts), tail.removeprefix("0") if tail else ""]))


def number_of(at: dt.datetime, name: str, zone: str) -> float:
    """Return a time as a number: days since the epoch of spreadsheets, seconds or milliseconds since 1970."""
    if name == "excel_1900":
        local = at.astimezone(ZoneInfo(zone)).replace(tzinfo=None)
        return round((local - EXCEL_EPOCH) / dt.timedelta(days=1), 6)
    seconds = int(at.timestamp())
    return seconds * 1000 if name == "epoch_ms" else seconds
