"""Output of the commands: whole words, readable headings, and tab-separated fields if it is piped."""

import json
import re

import pytest
from rich.cells import cell_len

from flows import stages
from tests.support.linked_workspace import linked_copy
from tests.support.program import Demo, Ran
from tests.support.program import taretrace_here as taretrace
from transforms.storage.warehouse import Warehouse

WIDE = 10_000
RULE = "─"


@pytest.fixture(scope="module")
def commands(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    """The commands by name; those that write do so in a workspace of their own."""
    own = linked_copy(demo.workspace, tmp_path_factory.mktemp("own") / "season")
    toml, root = own.root / "season.toml", str(own.root)
    toml.write_text(
        toml.read_text("utf-8").replace("[notify]\n", '[notify]\nto = ["json://127.0.0.1:9/"]\n', 1), "utf-8"
    )
    planned = ["--setting", "cleaner_1_speed_rpm", "--machine", "M02", "--detect-pct", "20"]
    trial = stages.plan_trial(own, stages.TrialAsked("cleaner_1_speed_rpm", "M02", None, None, None, 20.0)).trial
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        traced = warehouse.table("load_trace").drop_nulls("machine_id").sort("load_id")["load_id"][0]
        subject = warehouse.table("benchmark").filter(subject_kind="machine").sort("subject_id")["subject_id"][0]
    tickets = next(iter(sorted(demo.workspace.inbox.glob("tickets_*"))))
    return {
        "status": ["status", root],
        "check": ["check", root],
        "benchmark": ["benchmark", root],
        "benchmark of losses": ["benchmark", root, "--response", "root_loss_t_ha"],
        "own benchmark": ["benchmark", root, "--for", subject],
        "piles": ["piles", root],
        "what-if": ["what-if", root],
        "doctor": ["doctor", root],
        "explain": ["explain", "load", traced, "-w", root],
        "map": ["map", str(tickets), "-w", root, "--no-ask"],
        "fit": ["fit", root],
        "advise": ["advise", root],
        "rejected": ["rejected", root],
        "trial plan": ["trial", "plan", root, *planned],
        "trial read": ["trial", "read", trial.trial_id, root],
        "post-shift": ["post-shift", root],
        "repair": ["repair", root],
        "notify": ["notify", root],
    }


TABLES = (
    "status",
    "check",
    "benchmark",
    "benchmark of losses",
    "own benchmark",
    "piles",
    "what-if",
    "doctor",
    "explain",
    "map",
)
LINES = ("fit", "advise", "rejected", "trial plan", "trial read", "post-shift", "repair", "notify")


def on_terminal(monkeypatch: pytest.MonkeyPatch, width: int, words: list[str]) -> Ran:
    """Return a call whose output is shown by a terminal of some width."""
    for name, value in (("TTY_COMPATIBLE", "1"), ("TERM", "dumb"), ("COLUMNS", str(width)), ("LINES", "50")):
        monkeypatch.setenv(name, value)
    return taretrace(*words)


def words_of(text: str) -> set[str]:
    """Return the words of an output, without rules and the colons of headings; digits may change between calls."""
    words = (re.sub(r"\d", "0", word.removesuffix(":")) for word in text.split())
    return {word for word in words if word.strip(RULE)}


@pytest.fixture(scope="module")
def raw_names(demo: Demo) -> set[str]:
    """Return the names of the warehouse's tables and columns that are no plain words."""
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        tables = warehouse.query("status")["name"].to_list()
        columns = {c for name in tables for c in warehouse.table(name).columns}
    return {name for name in columns | set(tables) if "_" in name}


def has_raw_name(text: str, names: set[str]) -> set[str]:
    """Return the raw names that occur in a text as words of their own."""
    return names & set(re.findall(r"(?<![\w.'/])\w+(?![\w.'/])", text))


@pytest.mark.usefixtures("stored_results")
@pytest.mark.parametrize("width", [40, pytest.param(80, marks=pytest.mark.slow)])
@pytest.mark.parametrize("name", [*TABLES, *LINES])
def test_no_word_is_broken_or_cut_and_no_raw_column_name_is_shown(commands, raw_names, monkeypatch, name, width):
    assert has_raw_name("load_id: 3", raw_names) == {"load_id"}
    wide = on_terminal(monkeypatch, WIDE, commands[name])
    assert words_of(wide.out)
    assert has_raw_name(wide.out, raw_names) == set()
    narrow = on_terminal(monkeypatch, width, commands[name])
    assert narrow.code == wide.code
    assert words_of(narrow.out) == words_of(wide.out)
    long = [line for line in narrow.out.splitlines() if cell_len(line) > width]
    assert all(len(line.split()) == 1 for line in long), long
    assert has_raw_name(narrow.out, raw_names) == set()


@pytest.mark.parametrize("name", [n for n in TABLES if n != "map"])
def test_piped_tables_have_the_same_number_of_fields_on_every_line(commands, raw_names, monkeypatch, name):
    monkeypatch.setenv("TTY_COMPATIBLE", "0")
    monkeypatch.setenv("COLUMNS", "40")
    ran = taretrace(*commands[name])
    assert ran.code == 0, ran.err
    tables = [block.splitlines() for block in ran.out.removesuffix("\n").split("\n\n")]
    for header, *rows in tables:
        assert header.count("\t") >= 1
        assert {row.count("\t") for row in rows} <= {header.count("\t")}
        assert has_raw_name(header, raw_names) == set()
    assert "\x1b" not in ran.out
    assert RULE not in ran.out


def test_piped_rows_are_those_of_the_json_result(commands, monkeypatch):
    monkeypatch.setenv("TTY_COMPATIBLE", "0")
    piles = [p for p in json.loads(taretrace(*commands["piles"], "--json").out)["rows"] if p["lies"]]
    header, *rows = (line.split("\t") for line in taretrace(*commands["piles"]).out.splitlines())
    assert len(rows) == len(piles)
    for row, pile in zip(rows, piles, strict=True):
        assert row[:4] == [str(pile[c]) for c in ("slice_order", "site_id", "shift_date", "age_days")]
        assert float(row[5]) == pytest.approx(pile["dirt_tare_pct"], abs=0.05)
        assert "," not in "".join(row)
    assert len(header) == len(rows[0])


@pytest.mark.parametrize("words", [["benchmark"], ["map"], ["what-if"], ["trial", "plan"], ["report", "load"], []])
def test_no_word_of_a_help_text_is_broken_at_eighty_columns(monkeypatch, words):
    wide = on_terminal(monkeypatch, 1000, [*words, "--help"])
    narrow = on_terminal(monkeypatch, 80, [*words, "--help"])
    edges = re.compile(r"[│╭╮╰╯─]")
    assert words_of(edges.sub(" ", narrow.out)) == words_of(edges.sub(" ", wide.out))


def test_an_error_is_wrapped_between_words(monkeypatch, tmp_path):
    wide = on_terminal(monkeypatch, WIDE, ["status", str(tmp_path / "missing")])
    narrow = on_terminal(monkeypatch, 40, ["status", str(tmp_path / "missing")])
    assert (wide.code, narrow.code) == (2, 2)
    assert narrow.err.split() == wide.err.split()
    assert len(narrow.err.splitlines()) > len(wide.err.splitlines()) == 1
