"""Habits of the offices that were set aside second: ids, layout, times, lines above the header and file names.

They are those of weighbridge programs, cab terminals, weather loggers, laboratories and clerks, and differ from the
habits of the other offices; the draws of the other offices do not depend on them.
"""

import datetime as dt
from dataclasses import replace
from random import Random

from tests.validation.dialects.invented_season import Ids
from tests.validation.dialects.second_lexicon import SecondLexicon
from tests.validation.dialects.style import BRACKETS, Style
from tests.validation.dialects.time_styles import TimeStyle
from tests.validation.dialects.truth import KindTruth

DOS_CODE_PAGES = {"pl": "cp852", "cs": "cp852", "ru": "cp866"}
REGIONS = {
    "us": ((43.1, 43.9), (-84.2, -83.1)),
    "en": ((52.2, 53.3), (-0.4, 1.3)),
    "de": ((51.4, 52.6), (9.6, 11.4)),
    "fr": ((49.2, 50.4), (2.2, 3.9)),
    "pl": ((51.9, 53.1), (17.2, 19.3)),
    "nl": ((51.4, 53.2), (4.1, 6.6)),
    "es": ((41.5, 42.7), (-5.6, -3.7)),
    "ru": ((51.2, 52.9), (36.4, 40.2)),
    "cs": ((49.9, 50.5), (14.4, 16.1)),
}
"""Latitudes and longitudes of beet regions, in degrees."""
_FIELD_NAMES = ("B-{:02d}-7", "{:04d}/2", "P{:02d}.1", "31{:04d}")
_OWN_SHARE = 0.6
_TERMINALS = (
    TimeStyle("iso_t_ms", "%Y-%m-%d", "%H:%M:%S%.3fZ", is_utc=True),
    TimeStyle("iso_t_basic", "%Y%m%d", "%H%M%S"),
    TimeStyle("year_dot", "%Y.%m.%d", "%H:%M:%S"),
    TimeStyle("underscore", "%Y-%m-%d", "%H-%M-%S", joint="_"),
)
_CLERKS = (
    TimeStyle("comma", "%d.%m.%Y", "%H:%M", joint=", "),
    TimeStyle("slash_short", "%d/%m/%y", "%H:%M"),
    TimeStyle("clock_dot", "%d.%m.%Y", "%H.%M"),
    TimeStyle("dash_short", "%d-%m-%y", "%H:%M:%S"),
)
_OF_LANGUAGE = {
    "fr": TimeStyle("clock_h", "%d/%m/%Y", "%Hh%M"),
    "en": TimeStyle("month_short", "%d %b %y", "%H:%M"),
    "es": TimeStyle("clock_h", "%d/%m/%Y", "%Hh%M"),
}
_US = (
    TimeStyle("us_short", "%m/%d/%y", "%I:%M%p"),
    TimeStyle("us_dash", "%m-%d-%Y", "%H:%M"),
    TimeStyle("us_day", "%m/%d/%Y", "%H:%M:%S"),
)
_PAIRS = ("{key}: {value}", "{key} = {value}", "# {key}: {value}", "{key} .... {value}")


def second_ids(rng: Random, region: str) -> Ids:
    """Draw the ids of an office: stock numbers, names, numbers with a year, numbers of a service."""
    machine, field = rng.choice(["T-{:02d}A", "7{:03d}", "ROD{:02d}"]), rng.choice(_FIELD_NAMES)
    numbers = rng.sample(range(1, 60), 12)
    stations = rng.choice([("10411", "10427"), ("AWS-2", "AWS-5"), ("Q3", "Q8")])
    grower = rng.choice(["301{:03d}", "V-{:03d}", "LN{:03d}"])
    return Ids(
        machines=tuple(machine.format(n) for n in numbers[:3]),
        fields=tuple(field.format(n) for n in numbers[:7]),
        sites=rng.choice([("10", "30"), ("EAST", "MILL"), ("Z-A", "Z-B")]),
        stations=stations,
        growers=tuple(grower.format(n) for n in numbers[7:]),
        load=rng.choice(["25-{}", "W{}", "10{}", "{}/1"]),
        sample=rng.choice(["4008{:05d}", "25/{}", "S-{}"]),
        audit=rng.choice(["VE-{:02d}", "25{:03d}"]),
        check=rng.choice(["K{}/25", "9{:04d}"]),
        operator=rng.choice(["1{:03d}", "FA{:02d}"]),
        latitudes=REGIONS[region][0],
        longitudes=REGIONS[region][1],
    )


def second_style(rng: Random, style: Style, source: str) -> Style:
    """Return the habits of a source of files, given what a source of any other office has.

    Args:
        rng: source of the draws.
        style: habits drawn as for the other offices.
        source: machine, factory, office or weather.
    """
    lexicon = style.lexicon
    assert isinstance(lexicon, SecondLexicon)
    is_logger = source in {"machine", "weather"}
    if is_logger and rng.random() < (0.3 if lexicon.language == "en" else 0.4):
        lexicon = SecondLexicon("en", False, rng, "technical")
        style = replace(style, lexicon=lexicon, decimal=".", thousands="")
        style = replace(style, separator=rng.choice([",", ";", "\t"]))
    has_dos = source == "factory" and rng.random() < 0.2
    if has_dos:
        style = replace(style, encoding=DOS_CODE_PAGES.get(lexicon.language, "cp850"), has_bom=False)
    note = rng.choice(["UTC+0", "UTC/GMT"]) if style.zone == "UTC" else style.zone_note
    names = ["plain", "camel", "database"] if is_logger else ["plain", "plain", "plain", "camel", "database", "upper"]
    name_style = rng.choice(names)
    return replace(
        style,
        bracket=lexicon.unit_pattern() if rng.random() < _OWN_SHARE else rng.choice(BRACKETS),
        name_style=name_style,
        time=_time(rng, style, source),
        zone_note=note,
        extra_share=rng.choice([0.2, 0.4, 0.6]),
        empty_mark=rng.choice(["", "", "", "--", "NA"]),
        unit_cell=rng.choice(["{unit}", "[{unit}]", "({unit})"]),
        no_unit=rng.choice(["", "-"]),
        group_layout=rng.choice(["merged", "repeated", "below"]),
        number_pattern=rng.choice(["{i}. {name}", "{i:02d} {name}", "({i}) {name}"])
        if name_style == "plain" and rng.random() < 0.25
        else "",
    )


def _time(rng: Random, style: Style, source: str) -> TimeStyle:
    """Return the way in which a source writes times; some write them as the other offices do."""
    if rng.random() >= _OWN_SHARE:
        return style.time
    if source in {"machine", "weather"}:
        return rng.choice(_TERMINALS)
    if style.is_us:
        return rng.choice(_US)
    language = style.lexicon.language
    return rng.choice([*_CLERKS, *([_OF_LANGUAGE[language]] * 2 if language in _OF_LANGUAGE else [])])


def second_preamble(rng: Random, lexicon: SecondLexicon, style: Style, truth: KindTruth, form: str) -> list[str]:
    """Return lines above the header, as programs print them, with the values that belong there.

    Args:
        rng: source of the draws.
        lexicon: words of the office.
        style: habits of the source of the file.
        truth: first kind in the file.
        form: form of the file; only text has keys and values between its separators.
    """
    inside = {c: k for c, k in truth.constants.items() if k.place == "preamble"}
    if not inside and not truth.day and not style.has_preamble:
        return []
    pair = rng.choice([*_PAIRS, *(["{key}" + style.separator + "{value}"] if form == "delimited" else [])])
    word = {"machine_id": "machine", "station_id": "station", "issued_at": "issued"}
    values = [("program", f"{rng.randint(2, 7)}.{rng.randint(0, 9)}")]
    values += [("terminal", f"{rng.randint(1, 9)}")] if truth.kind == "telemetry" else []
    values += [("zone", "UTC")] if style.zone == "UTC" else []
    values += [(word[c], k.text) for c, k in inside.items()]
    values += [("date", truth.day)] if truth.day else []
    title = f"*** {lexicon.word('export')} 29.10.2025 {lexicon.word('page')} 1 ***"
    start = "# " if pair.startswith("#") else ""
    lines = [start + title, *(pair.format(key=lexicon.word(k), value=v) for k, v in values)]
    return [*lines, *([""] if rng.random() < 0.5 else [])]


def second_file_name(rng: Random, words: list[str], form: str) -> str:
    """Return the name of a file: a counter, a week, a time, a copy or a version beside its words."""
    day = dt.datetime(2025, 10, rng.randint(1, 28), rng.randint(5, 22), rng.randint(0, 59), tzinfo=dt.UTC)
    joint = rng.choice(["_", "-", " "])
    text = joint.join(words)
    name = rng.choice(
        [
            f"{day:%Y%m%d%H%M}{joint}{text}",
            f"{text}{joint}KW{day:%V}",
            f"{text}{joint}{day:%d-%m-%Y} (2)",
            f"{text}{joint}v3",
            f"{day:%y%m%d}{joint}{text.upper()}",
            f"EXP{rng.randint(100, 999)}{joint}{text}",
        ]
    )
    suffixes = {"delimited": [".csv", ".CSV", ".txt", ".dat", ".asc"], "sheet": [".xlsx"], "parquet": [".parquet"]}
    return name + rng.choice(suffixes[form])
