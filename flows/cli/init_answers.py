"""Answers of `init` given as options, and their validation, which the questions share."""

import re

from transforms.config.problems import Problem, raise_problems
from transforms.config.season import check_sites
from transforms.config.season_tables import PricesTable, SeasonTable, SiteTable
from transforms.config.season_writer import SeasonAnswers
from transforms.config.tables import check_table
from transforms.errors import WorkspaceError

NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
POSITION = re.compile(r"\s*([+-]?\d+(?:\.\d+)?)\s*[,; ]\s*([+-]?\d+(?:\.\d+)?)\s*")
Sites = dict[str, tuple[float, float] | None]


def season_problems(key: str, answer: str, where: str = "season.toml [season]") -> list[Problem]:
    """Return the errors of an answer for a key of `[season]`."""
    return check_table(SeasonTable, {key: answer}, where)[1]


def parse_price(key: str, answer: str) -> float | None:
    """Return an amount, with a point or a comma as decimal mark; None if it is not valid for the price.

    >>> parse_price("beet_per_t", "38,5"), parse_price("beet_per_t", "much")
    (38.5, None)
    """
    if NUMBER.fullmatch(answer) is None:
        return None
    value = float(answer.replace(",", "."))
    return None if check_table(PricesTable, {key: value}, "season.toml [prices]")[1] else value


def parse_position(answer: str) -> tuple[float, float] | None:
    """Return latitude and longitude in degrees, with decimal points; None if the answer is not a position.

    >>> parse_position("50.3, 15.1"), parse_position("50.3"), parse_position("95 15")
    ((50.3, 15.1), None, None)
    """
    found = POSITION.fullmatch(answer)
    if found is None:
        return None
    lat, lon = float(found[1]), float(found[2])
    return None if check_table(SiteTable, {"lat_deg": lat, "lon_deg": lon}, "")[1] else (lat, lon)


def site_problems(sites: Sites) -> list[Problem]:
    """Return the errors of the names of factories."""
    return check_sites({name: {"lat_deg": 0.0, "lon_deg": 0.0} for name in sites}, "season.toml [sites]")


def given_answers(season: dict[str, str | None], factories: list[str], prices: list[str]) -> SeasonAnswers:
    """Return the answers given as options.

    Args:
        season: keys of `[season]`; None if not given.
        factories: `NAME` or `NAME=LATITUDE,LONGITUDE`.
        prices: `KEY=AMOUNT`.

    Raises:
        WorkspaceError: an answer is not valid.
    """
    named = {key: value for key, value in season.items() if value is not None}
    raise_problems([p for key, value in named.items() for p in season_problems(key, value)])
    answers = SeasonAnswers(named, dict(map(_factory, factories)), dict(map(_price, prices)))
    raise_problems(site_problems(dict(answers.sites)))
    if len(answers.sites) < len(factories):
        raise WorkspaceError("a factory is named twice", where="--factory", remedy="name each factory once")
    return answers


def _factory(text: str) -> tuple[str, tuple[float, float] | None]:
    name, sign, position = text.rpartition("=")
    if not sign:
        return text.strip(), None
    place = parse_position(position)
    if place is None:
        raise WorkspaceError(
            "'{position}' is not a position",
            where="--factory",
            remedy="write NAME=LATITUDE,LONGITUDE in degrees, such as north=50.3,15.1",
            position=position,
        )
    return name.strip(), place


def _price(text: str) -> tuple[str, float]:
    key, _, amount = text.partition("=")
    if key not in PricesTable.model_fields:
        raise WorkspaceError(
            "'{key}' is not a price",
            where="--price",
            remedy="use one of {keys}",
            key=key,
            keys=", ".join(PricesTable.model_fields),
        )
    value = parse_price(key, amount.strip())
    if value is None:
        raise WorkspaceError(
            "'{amount}' is not an amount",
            where="--price",
            remedy="write KEY=AMOUNT, such as beet_per_t=41.5",
            amount=amount,
        )
    return key, value
