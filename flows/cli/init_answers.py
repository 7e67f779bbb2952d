"""Answers of `init` given as options, and their validation, which the questions share."""

import re

from transforms.config.problems import Problem, raise_problems
from transforms.config.season import check_sites
from transforms.config.season_tables import PricesTable, SeasonTable, SiteTable
from transforms.config.season_writer import SeasonAnswers
from transforms.config.tables import check_table
from transforms.config.workspace import Prices
from transforms.contracts.similar_name import use_one_of
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


def given_answers(options: dict[str, str | None], factories: list[str], values: list[str]) -> SeasonAnswers:
    """Return the answers given as options.

    Args:
        options: keys of `[season]`; None if not given.
        factories: `NAME` or `NAME=LATITUDE,LONGITUDE`.
        values: `KEY=VALUE` for keys of `[season]` and `[prices]`.

    Raises:
        WorkspaceError: an answer is not valid.
    """
    pairs = dict(map(_pair, values))
    prices = {key: _price(key, text) for key, text in pairs.items() if key in PricesTable.model_fields}
    season = {key: text for key, text in {**options, **pairs}.items() if text is not None and key not in prices}
    raise_problems([p for key, text in season.items() for p in season_problems(key, text)])
    sites = dict(map(_factory, factories))
    raise_problems(site_problems(sites))
    if len(sites) < len(factories):
        raise WorkspaceError("a factory is named twice", where="--factory", remedy="name each factory once")
    return SeasonAnswers(season, sites, prices)


def _pair(text: str) -> tuple[str, str]:
    """Return the key and the value of an option `--set`."""
    key, sign, value = (part.strip() for part in text.partition("="))
    keys = [*SeasonTable.model_fields, *PricesTable.model_fields]
    if not sign or key not in keys:
        raise WorkspaceError(
            "'{text}' sets no key of [season] or [prices]",
            where="--set",
            remedy="write KEY=VALUE; {hint}",
            text=text,
            hint=use_one_of(key, keys),
        )
    return key, value


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


def _price(key: str, amount: str) -> float:
    value = parse_price(key, amount)
    if value is None:
        raise WorkspaceError(
            "'{amount}' is not a valid value of {key}",
            where="--set",
            remedy="write a number, such as {example}",
            amount=amount,
            key=key,
            example=f"{key}={getattr(Prices, key, 5.0):g}",
        )
    return value
