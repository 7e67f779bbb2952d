"""Questions of `init`: what a new workspace needs to know, each with a default and an example."""

import os
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from zoneinfo import ZoneInfoNotFoundError

import typer
from rich.console import Console

from flows.cli.init_answers import Sites, parse_position, parse_price, season_problems, site_problems
from flows.cli.output import line_of, print_line, strong
from reports.language.display_units import number
from reports.language.reason_text import format_reason
from reports.language.translate import mark, say, set_language, translated, use_language
from transforms.config.season_writer import ASKED_PRICES, SeasonAnswers
from transforms.config.workspace import Prices, Season
from transforms.contracts.reason import phrase_reason
from transforms.errors import WorkspaceError

LOCALES = {
    "en-GB": "English",
    "en-US": "English (US)",
    "de-DE": "Deutsch",
    "fr-FR": "français",
    "pl-PL": "polski",
}
UNITS = {"metric": mark("t, ha, km, °C"), "us": mark("short tons, acres, miles, °F")}
ZONE_OF = {
    "en-GB": "Europe/London",
    "en-US": "America/Chicago",
    "de-DE": "Europe/Berlin",
    "fr-FR": "Europe/Paris",
    "pl-PL": "Europe/Warsaw",
}
"""Proposed zone if this computer's own is not known."""
CURRENCY_OF = {"en-GB": "GBP", "en-US": "USD", "pl-PL": "PLN"}
PRICE_REASONS = {
    "beet_per_t": mark("paid for a tonne of clean beet: the worth of a root left in the field"),
    "machine_hour": mark("an hour of a harvester with its operator: the cost of driving slower"),
    "sugar_per_t": mark("worth of a tonne of white sugar: the cost of damaged and dirty roots in the pile"),
    "soil_disposal_per_t": mark("taking a tonne of soil back to land: the largest part of the cost of dirt"),
    "tops_per_t": mark("a tonne of leaf and crown at the factory: the cost of topping too high"),
}
UNIT_OF = {"machine_hour": "h"}
"""Unit of a price that is not per tonne."""


class Interview:
    """Asks questions on a console; an answer given before is not asked for.

    Attributes:
        console: the console of the questions.
        answers: the answers so far.
    """

    def __init__(self, console: Console, given: SeasonAnswers) -> None:
        self.console, self.answers = console, given

    def ask_all(self) -> SeasonAnswers:
        """Ask every question that is open and return all answers.

        Raises:
            typer.Abort: the input has ended.
        """
        print_line(self.console, say("Enter accepts the value in brackets; season.toml can be edited at any time."))
        locale = self._ask_season("locale", say("Language and country of the pages"), _own_locale(), LOCALES)
        set_language(locale)
        zone = _own_zone() or ZONE_OF.get(locale, "Europe/Prague")
        self._ask_season("time_zone", say("Time zone of the shifts, such as {example}", example="Europe/Prague"), zone)
        units = {key: translated(text) for key, text in UNITS.items()}
        self._ask_season("units", say("Units on the pages"), "us" if locale == "en-US" else "metric", units)
        start = say("Start of the shift, local time, such as {example}", example="05:00")
        self._ask_season("shift_starts", start, "05:00")
        money = CURRENCY_OF.get(locale, "EUR")
        currency = self._ask_season("currency", say("Currency, such as {example}", example="EUR"), money)
        self._ask_factories()
        self._ask_prices(currency)
        return self.answers

    def _ask_season(self, key: str, question: str, default: str, choices: dict[str, str] | None = None) -> str:
        """Ask for a key of `[season]`; a choice may be answered by its number."""
        if key in self.answers.season:
            return self.answers.season[key]
        names = list(choices or {})

        def chosen(text: str) -> str:
            return names[int(text) - 1] if text.isdecimal() and 0 < int(text) <= len(names) else text

        print_line(self.console, strong(question))
        for place, (name, text) in enumerate((choices or {}).items(), 1):
            print_line(self.console, f"  {place}  {text} ({name})")
        answer = chosen(self._answer(default, lambda text: _season_refusal(key, chosen(text), default))) or default
        self.answers = replace(self.answers, season={**self.answers.season, key: answer})
        return answer

    def _ask_factories(self) -> None:
        """Ask for factories until an empty answer."""
        if self.answers.sites:
            return
        sites: Sites = {}
        print_line(self.console, strong(say("Factories: each id as on the weigh tickets, with its position if known")))
        while name := self._answer(
            say("Enter: no more") if sites else say("Enter: later"),
            lambda text: _refusal(text not in sites and not site_problems({**sites, text: None}), text, "north"),
        ):
            print_line(self.console, say("Latitude and longitude of {name} in degrees, for its distance", name=name))
            place = self._answer(
                say("Enter: not known"), lambda text: _refusal(parse_position(text) is not None, text, "50.3, 15.1")
            )
            sites[name] = parse_position(place)
        self.answers = replace(self.answers, sites=sites)

    def _ask_prices(self, currency: str) -> None:
        """Ask for the prices that change the ranking of moves most."""
        prices = dict(self.answers.prices)
        asked = [key for key in ASKED_PRICES if key not in prices]
        if asked:
            print_line(self.console, strong(say("Prices that change the advice most; the values shown are assumed")))
        for key in asked:
            default = float(getattr(Prices, key))
            print_line(self.console, f"{translated(PRICE_REASONS[key])} ({key}, {currency}/{UNIT_OF.get(key, 't')})")
            shown = say("{value}, assumed", value=number(default, 0))
            value = parse_price(key, self._answer(shown, partial(_price_refusal, key, default)))
            prices[key] = default if value is None else value
        self.answers = replace(self.answers, prices=prices)

    def _answer(self, shown: str, refusal: Callable[[str], str]) -> str:
        """Return a valid answer, or an empty text for the default.

        Args:
            shown: the default as shown in brackets.
            refusal: function that returns why an answer is not valid, with an example; empty if it is valid.
        """
        while True:
            self.console.print(line_of(f"  [{shown}]: "), end="", soft_wrap=True, highlight=False)
            try:
                text = input().strip()
            except EOFError:
                raise typer.Abort from None
            why = refusal(text) if text else ""
            if not why:
                return text
            print_line(self.console, f"  {why}")


def _refusal(is_valid: bool, text: str, example: str) -> str:
    """Return that an answer is not valid, with an example; empty if it is."""
    refused = say("'{answer}' is not valid here; an example: {example}", answer=text, example=example)
    return "" if is_valid else refused


def _price_refusal(key: str, default: float, text: str) -> str:
    return _refusal(parse_price(key, text) is not None, text, f"{default:g}")


def _season_refusal(key: str, text: str, example: str) -> str:
    """Return why an answer for a key of `[season]` is not valid; empty if it is."""
    for problem in season_problems(key, text):
        what, remedy = (format_reason(phrase_reason(part)) for part in (problem.what, problem.remedy))
        return f"{what}: {remedy}"
    try:
        if key == "locale":
            with use_language(text):
                pass
    except WorkspaceError:
        return _refusal(is_valid=False, text=text, example=example)
    return ""


def _own_locale() -> str:
    """Return the locale of this computer if its language has pages, else the default."""
    name = (os.environ.get("LC_ALL") or os.environ.get("LANG") or "").partition(".")[0].replace("_", "-")
    languages = {locale.partition("-")[0] for locale in LOCALES}
    is_known = name.partition("-")[0] in languages and "-" in name and not _season_refusal("locale", name, "")
    return name if is_known else Season.locale


def _own_zone() -> str:
    """Return the time zone of this computer; empty if it is not known or is UTC."""
    from tzlocal import reload_localzone

    try:
        name = str(reload_localzone())
    except (ZoneInfoNotFoundError, ValueError):  # TZ is not the name of a zone, or contradicts the clock
        return ""
    return name if "/" in name and name != "Etc/UTC" and not _season_refusal("time_zone", name, "") else ""
