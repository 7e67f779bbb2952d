"""Commented text of `season.toml` with a person's answers in place of the template's defaults."""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from transforms.config.workspace import Prices, season_template

ASKED_PRICES = ("beet_per_t", "machine_hour", "sugar_per_t", "soil_disposal_per_t", "tops_per_t")
"""Prices that change the ranking of moves most: of each cause of cost, the one whose plausible error counts most."""
LINE = re.compile(r"(?P<key>\w+) = (?P<value>\"[^\"]*\"|\S+)(?P<gap> *)(?P<comment># .*)?")
BARE = re.compile(r"[A-Za-z0-9_-]+")
ASSUMED = "# assumed: "
NO_POSITION = "The position of this factory is missing, so haul_km counts: enter it and remove the marks #."


@dataclass(frozen=True)
class SeasonAnswers:
    """Answers to the questions of a new workspace; missing ones keep the template's default.

    Attributes:
        season: keys of `[season]` and their values.
        sites: factory -> latitude and longitude; None if its position is not known.
        prices: keys of `[prices]` and their values.
    """

    season: Mapping[str, str] = field(default_factory=dict)
    sites: Mapping[str, tuple[float, float] | None] = field(default_factory=dict)
    prices: Mapping[str, float] = field(default_factory=dict)


def season_text(answers: SeasonAnswers) -> str:
    """Return the text of `season.toml`, with English comments.

    A price that differs from its default loses its mark as assumed, as on pages. A factory without a position is
    written as a comment, because its distance cannot be computed.
    """
    head, rest = season_template().split("[sites]\n", 1)
    stub, tail = rest.split("[prices]\n", 1)
    sites = "\n".join(_site(name, place) for name, place in answers.sites.items()) + "\n" if answers.sites else stub
    prices, others = tail.split("[lab]\n", 1)
    filled_prices = _filled(prices, {k: f"{v}" for k, v in answers.prices.items() if v != getattr(Prices, k)})
    named = {k: json.dumps(v, ensure_ascii=False) for k, v in answers.season.items()}
    return f"{_filled(head, named)}[sites]\n{sites}[prices]\n{filled_prices}[lab]\n{others}"


def _filled(block: str, values: Mapping[str, str]) -> str:
    return "\n".join(_filled_line(line, values) for line in block.split("\n"))


def _filled_line(line: str, values: Mapping[str, str]) -> str:
    """Return a line `key = value  # comment` with the value replaced and the comment in its column."""
    found = LINE.fullmatch(line)
    if found is None or found["key"] not in values:
        return line
    start = f"{found['key']} = {values[found['key']]}"
    if found["comment"] is None:
        return start
    return f"{start.ljust(found.start('comment') - 1)} {found['comment'].replace(ASSUMED, '# ')}"


def _site(name: str, place: tuple[float, float] | None) -> str:
    key = name if BARE.fullmatch(name) else json.dumps(name, ensure_ascii=False)
    if place is None:
        return f"# {NO_POSITION}\n# [sites.{key}]\n# lat_deg =\n# lon_deg =\n"
    return f"[sites.{key}]\nlat_deg = {place[0]}\nlon_deg = {place[1]}\n"
