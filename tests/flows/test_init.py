"""The command `init`: questions, options, defaults, and the season.toml it writes."""

import builtins
import json
import tomllib

import pytest

from flows.cli.init_dialog import PRICE_REASONS, _own_zone
from reports.language.translate import translated, use_language
from tests.support.program import Ran
from tests.support.program import taretrace_here as taretrace
from transforms.config.season import check_season
from transforms.config.season_comments import ASSUMED_TEXT
from transforms.config.season_writer import ASKED_PRICES, SeasonAnswers, season_text
from transforms.config.workspace import MAPPING_SCHEMA, SEASON_SCHEMA, Workspace, season_template

LANGUAGE, ZONE, UNITS, START, MONEY = "de-DE", "Europe/Berlin", "1", "06:00", "EUR"


def init(tmp_path, monkeypatch, *answers: str, options: tuple[str, ...] = ("--ask",)) -> tuple[Workspace, Ran]:
    """Answer the questions in their order; the input ends after the last answer."""
    left = list(answers)

    def read(_prompt: str = "") -> str:
        if not left:
            raise EOFError
        return left.pop(0)

    monkeypatch.setattr(builtins, "input", read)
    monkeypatch.setenv("LANG", "C")
    monkeypatch.setenv("TZ", "UTC")
    ran = taretrace("init", tmp_path / "w", *options)
    assert not left
    return Workspace(tmp_path / "w"), ran


def test_the_answers_are_in_season_toml(tmp_path, monkeypatch):
    factories = ["north", "50.3, 15.1", "Süd 2", "", ""]
    prices = ["41,5", "", "700", "", ""]
    workspace, ran = init(tmp_path, monkeypatch, "3", ZONE, UNITS, START, MONEY, *factories, *prices)
    assert ran.code == 0
    season = workspace.season
    assert (season.locale, season.time_zone, season.units, season.currency) == (LANGUAGE, ZONE, "metric", MONEY)
    assert season.shift_starts.isoformat("minutes") == START
    assert season.sites == {"north": (50.3, 15.1)}
    assert (season.prices.beet_per_t, season.prices.sugar_per_t, season.prices.machine_hour) == (41.5, 700.0, 320.0)
    assert not {"beet_per_t", "sugar_per_t"} & set(season.assumed)
    text = (workspace.root / "season.toml").read_text("utf-8")
    assert '# [sites."Süd 2"]' in text
    # Comments, and the questions after the first, are in the language that it sets.
    with use_language(LANGUAGE):
        mark = "# " + translated(ASSUMED_TEXT).removesuffix("{text}")
        marked = [line.split(" = ")[0] for line in text.splitlines() if mark in line]
        assert tuple(marked) == season.assumed
        assert translated(PRICE_REASONS["machine_hour"]) in ran.out
    assert PRICE_REASONS["machine_hour"] not in ran.out


def test_empty_answers_are_the_defaults(tmp_path, monkeypatch):
    workspace, ran = init(tmp_path, monkeypatch, *[""] * 6, *[""] * len(ASKED_PRICES))
    assert ran.code == 0
    season = workspace.season
    assert (season.locale, season.time_zone, season.currency, season.sites) == ("en-GB", "Europe/London", "GBP", {})
    assert set(ASKED_PRICES) <= set(season.assumed)


def test_a_wrong_answer_is_asked_for_again(tmp_path, monkeypatch):
    wrong = ["9", "Klingon", "1", "Moon/Base", ZONE, "cubits", "us", "5 am", "25:00", START, MONEY]
    sites = ["a", "here", "95, 15", "50.3, 15.1", "a", ""]
    prices = ["much", "-3", "40", *[""] * 4]
    workspace, ran = init(tmp_path, monkeypatch, *wrong, *sites, *prices)
    assert ran.code == 0
    season = workspace.season
    assert (season.locale, season.time_zone, season.units) == ("en-GB", ZONE, "us")
    assert (season.sites, season.prices.beet_per_t) == ({"a": (50.3, 15.1)}, 40.0)


def test_an_input_that_ends_leaves_nothing(tmp_path, monkeypatch):
    workspace, ran = init(tmp_path, monkeypatch, "1", ZONE)
    assert ran.code == 2
    assert not workspace.root.exists()


def test_answers_given_as_options_are_not_asked_for(tmp_path, monkeypatch):
    options = [
        "--ask",
        "--locale",
        "pl-PL",
        "--zone",
        "Europe/Warsaw",
        "--units",
        "metric",
        "--set",
        f"shift_starts={START}",
    ]
    options += ["--set", "currency=PLN", "--factory", "a=52.1,17.2", "--factory", "b", "--set", "name=Kampania"]
    options += [word for key in ASKED_PRICES for word in ("--set", f"{key}=99")]
    workspace, ran = init(tmp_path, monkeypatch, options=tuple(options))
    assert ran.code == 0
    season = workspace.season
    assert (season.name, season.locale, season.currency) == ("Kampania", "pl-PL", "PLN")
    assert season.sites == {"a": (52.1, 17.2)}
    assert {getattr(season.prices, key) for key in ASKED_PRICES} == {99.0}


@pytest.mark.parametrize("options", [("--yes",), (), ("--json",)])
def test_without_a_terminal_nothing_is_asked(tmp_path, monkeypatch, options):
    workspace, ran = init(tmp_path, monkeypatch, options=options)
    assert ran.code == 0
    text = (workspace.root / "season.toml").read_text("utf-8")
    assert tomllib.loads(text) == tomllib.loads(season_template())
    assert text.count("# assumed: ") == season_template().count("# assumed: ")
    assert "--json" not in options or set(json.loads(ran.out)) == {"workspace"}


@pytest.mark.parametrize(
    ("options", "shown"),
    [
        (("--zone", "Moon/Base"), "'time_zone' is 'Moon/Base'"),
        (("--units", "cubits"), "'units' is 'cubits'"),
        (("--set", "beat_per_t=3"), "'beat_per_t=3' sets no key"),
        (("--set", "beet_per_t=much"), "'much' is not a valid value of beet_per_t"),
        (("--set", "shift_starts=early"), "'shift_starts' is 'early'"),
        (("--factory", "a=here"), "'here' is not a position"),
        (("--factory", "a", "--factory", "a"), "a factory is named twice"),
        (("--factory", "a", "--factory", "A"), "the site 'A' is defined twice"),
    ],
)
def test_a_wrong_option_writes_nothing(tmp_path, options, shown):
    ran = taretrace("init", tmp_path / "w", *options)
    assert (ran.code, shown in ran.err) == (2, True)
    assert not (tmp_path / "w").exists()


def test_options_do_not_change_an_existing_workspace(tmp_path):
    assert taretrace("init", tmp_path / "w").code == 0
    assert taretrace("init", tmp_path / "w").code == 0
    assert taretrace("init", tmp_path / "w", "--zone", "Europe/Berlin").code == 2
    assert Workspace(tmp_path / "w").season.time_zone == "Europe/Prague"


def test_a_written_file_is_valid_and_keeps_every_comment(tmp_path):
    text = season_text(SeasonAnswers({"name": 'A "b" # c'}, {"x": (1.5, -2.0), "y": None}, {"beet_per_t": 40.0}))
    table = tomllib.loads(text)
    assert check_season(table, tmp_path / "season.toml") == []
    assert (table["season"]["name"], table["sites"]) == ('A "b" # c', {"x": {"lat_deg": 1.5, "lon_deg": -2.0}})
    comments = [line.partition("# ")[2] for line in season_template().splitlines() if line[:1].isalpha()]
    assert all(comment.removeprefix("assumed: ") in text for comment in comments)
    assert season_text(SeasonAnswers()) == season_template()


def test_the_schema_command_writes_both_schemas_again(tmp_path):
    assert taretrace("init", tmp_path / "w").code == 0
    paths = [tmp_path / "w" / name for name in (SEASON_SCHEMA, MAPPING_SCHEMA)]
    for path in paths:
        path.write_text("old")
    assert taretrace("schema", tmp_path / "w", "--json").code == 0
    assert all("properties" in json.loads(path.read_text("utf-8")) for path in paths)


@pytest.mark.parametrize(
    ("zone", "suggested"),
    [("Europe/Warsaw", "Europe/Warsaw"), (":Europe/Warsaw", "Europe/Warsaw"), ("UTC", ""), ("no zone", "")],
)
def test_the_time_zone_of_the_computer_is_suggested(monkeypatch, zone, suggested):
    monkeypatch.setenv("TZ", zone)
    assert _own_zone() == suggested
