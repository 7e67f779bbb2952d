"""Options of every command: workspace, version, amount of output, colour, completion; and former names of commands."""

import inspect
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer

from flows.cli.app import app
from flows.cli.call_options import VARIABLE
from flows.cli.panels import PROGRAM, REPORT
from flows.runtime import local_pool
from tests.support import command_reference
from tests.support.program import Ran, taretrace_here
from transforms.config.workspace import init_workspace

GROUPS = ("report", "explain", "trial", "vary")
WAITING = (
    *("map", "post-shift", "ingest", "fit", "advise", "benchmark", "what-if", "export", "backup", "repair"),
    *("report shift", "report season", "report load", "report guide", "report grower", "report followed"),
    *("report fleet", "report what-if", "trial plan", "trial read", "vary plan", "vary read"),
)
"""Commands that lock a workspace. The demo does as well, but nobody else works in its folder."""


def commands(node: Any, words: str = "") -> dict[str, Any]:
    """Return every command by the words that call it."""
    found: dict[str, Any] = {}
    for name, inner in node.commands.items():
        path = f"{words} {name}".strip()
        found |= commands(inner, path) if hasattr(inner, "commands") else {path: inner}
    return found


COMMANDS = commands(typer.main.get_command(app))


@pytest.fixture
def season(tmp_path: Path) -> Path:
    return init_workspace(tmp_path / "season").root


def folder_of(ran: Ran) -> str:
    """Return the workspace that a verbose call names."""
    assert ran.err, ran
    found = re.search(r"workspace (\S+)$", ran.err, re.MULTILINE)
    assert found, ran.err
    return found[1]


@pytest.mark.parametrize("words", COMMANDS)
def test_every_command_takes_the_shared_options(words):
    options = {o for p in COMMANDS[words].params for o in p.opts}
    assert {"--workspace", "-w", "--quiet", "-q", "--verbose", "-v", "--no-color"} <= options


@pytest.mark.parametrize("words", WAITING)
def test_every_command_that_locks_a_workspace_can_wait(words):
    assert "--wait" in {o for p in COMMANDS[words].params for o in p.opts}


def test_no_other_command_locks_a_workspace():
    lock = re.compile("lock(ed)?_workspace|write_locked")
    locking = {w for w, c in COMMANDS.items() if lock.search(inspect.getsource(inspect.unwrap(c.callback)))}
    assert {"ingest", "report shift", "demo"} <= locking
    assert locking <= {*WAITING, "demo"}


@pytest.mark.parametrize("way", ["argument", "option", "short", "before", "before the group", "variable", "upwards"])
def test_the_workspace_may_be_named_in_many_ways(season, tmp_path, monkeypatch, way):
    (season / "inbox" / "deep").mkdir()
    monkeypatch.chdir(season / "inbox" / "deep" if way == "upwards" else tmp_path)
    monkeypatch.setenv(VARIABLE, str(season) if way == "variable" else "")
    calls = {
        "argument": ["schema", season, "-v"],
        "option": ["schema", f"--workspace={season}", "-v"],
        "short": ["schema", "-w", season, "-v"],
        "before": ["-v", "-w", season, "schema"],
        "before the group": ["-w", season, "report", "-v", "grower"],
        "variable": ["schema", "-v"],
        "upwards": ["schema", "-v"],
    }
    ran = taretrace_here(*calls[way])
    assert folder_of(ran) == str(season)
    assert ran.code == (2 if "group" in way else 0)  # the workspace has no fields yet


def test_the_nearest_way_to_name_a_workspace_prevails(season, tmp_path, monkeypatch):
    other = init_workspace(tmp_path / "other").root
    monkeypatch.setenv(VARIABLE, str(other))
    assert folder_of(taretrace_here("schema", "-w", season, "-v")) == str(season)
    assert folder_of(taretrace_here("schema", season, "-v")) == str(season)
    monkeypatch.setenv(VARIABLE, "")
    assert folder_of(taretrace_here("-w", other, "schema", "-w", season, "-v")) == str(season)


def test_two_workspaces_are_an_error_and_one_named_twice_is_not(season, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    both = taretrace_here("schema", "season", "-w", tmp_path / "other")
    assert both.code == 2
    assert "other" in both.err
    assert taretrace_here("schema", "season", "-w", season).code == 0


def test_init_creates_in_the_current_folder_although_a_workspace_is_further_up(season, monkeypatch):
    inner = season / "inner"
    inner.mkdir()
    monkeypatch.chdir(inner)
    assert taretrace_here("init", "--yes").code == 0
    assert (inner / "season.toml").exists()


def test_init_takes_option_and_variable(tmp_path, monkeypatch):
    assert taretrace_here("init", "--yes", "-w", tmp_path / "a").code == 0
    monkeypatch.setenv(VARIABLE, str(tmp_path / "b"))
    assert taretrace_here("init", "--yes").code == 0
    assert (tmp_path / "a" / "season.toml").exists()
    assert (tmp_path / "b" / "season.toml").exists()


def test_nothing_invented_is_written_into_the_workspace_of_the_variable(season, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(VARIABLE, str(season))
    assert taretrace_here("examples", "--language", "en").code == 0
    assert (tmp_path / "examples" / "season.toml").exists()
    assert taretrace_here("examples", "-w", tmp_path / "mine", "--language", "en").code == 0
    assert (tmp_path / "mine" / "season.toml").exists()


def test_a_demo_or_a_backup_is_not_written_over_a_workspace(season, tmp_path):
    """The option names the new folder."""
    assert str(season) in taretrace_here("demo", "-w", season).err
    file = tmp_path / "season.tar"
    assert taretrace_here("backup", season, "--to", file).code == 0
    assert taretrace_here("restore", file, "-w", season).code == 2
    assert taretrace_here("restore", file, "-w", tmp_path / "again").code == 0
    assert (tmp_path / "again" / "season.toml").exists()


def test_the_version_is_printed_by_the_program_alone():
    ran = taretrace_here("--version")
    assert (ran.code, ran.err) == (0, "")
    assert re.fullmatch(r"taretrace (\d+\.\d+\S*|\?)\n", ran.out)
    assert taretrace_here("fit", "--version").code == 2


@pytest.mark.parametrize("words", [[], ["report"], ["fit"], ["trial", "plan"]])
def test_a_short_option_shows_the_help(words):
    assert taretrace_here(*words, "-h").out == taretrace_here(*words, "--help").out != ""


def test_options_without_a_command_are_an_error_of_one_line():
    for words in (["-q"], ["report", "-q"]):
        ran = taretrace_here(*words)
        assert (ran.code, ran.out, ran.err.count("\n")) == (2, "", 1)


def test_quiet_and_verbose_exclude_each_other(season):
    for words in (["schema", "-q", "-v", season], ["-q", "schema", "-v", season]):
        assert taretrace_here(*words).code == 2


def test_quiet_prints_the_result_alone_and_verbose_the_start_of_each_stage(whole):
    usual, quiet, verbose = (taretrace_here("check", whole.workspace.root, *o) for o in ([], ["-q"], ["-v"]))
    assert usual.code == quiet.code == verbose.code == 0
    assert usual.err.count("✓") == 1
    assert "✓" not in quiet.err
    assert quiet.out == usual.out == verbose.out
    assert len(re.findall(r"^\d\d:\d\d:\d\d ", verbose.err, re.MULTILINE)) == verbose.err.count("✓")


def test_the_amount_of_output_of_one_call_does_not_reach_the_next(whole):
    assert "✓" not in taretrace_here("check", whole.workspace.root, "-q").err
    assert "✓" in taretrace_here("check", whole.workspace.root).err


def test_only_a_verbose_call_shows_where_an_internal_error_occurred(season, monkeypatch):
    def fail(_: object) -> None:
        message = "planted"
        raise RuntimeError(message)

    monkeypatch.setattr(local_pool, "helpers", fail)
    short, long = taretrace_here("ingest", season), taretrace_here("ingest", season, "-v")
    assert short.code == long.code == 3
    assert "Traceback" not in short.err
    assert "planted" in short.err
    assert "Traceback" in long.err


@pytest.mark.parametrize("way", ["option", "late option", "variable", "colour"])
def test_colour_can_be_switched_off(monkeypatch, way):
    monkeypatch.setenv("NO_COLOR", "1" if way == "variable" else "")
    monkeypatch.setenv("TTY_COMPATIBLE", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    words = {"option": ["--no-color", "-h"], "late option": ["fit", "-h", "--no-color"]}.get(way, ["fit", "-h"])
    out = taretrace_here(*words).out
    assert out
    assert bool(re.search(r"\x1b\[[\d;]*3\d", out)) == (way == "colour")


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("taretrace in", "ingest"),
        pytest.param("taretrace benchmark --kind op", "operator", marks=pytest.mark.slow),
        ("taretrace what-if -w FOLDER --set share_de", "share_depth_cm="),
        pytest.param("taretrace vary plan --workspace FOLDER --machine M0", "M01", marks=pytest.mark.slow),
    ],
)
def test_commands_and_values_are_completed(whole, line, word):
    line = line.replace("FOLDER", str(whole.workspace.root))
    words = line.split()
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv[0] = 'taretrace'; from flows.cli.app import main; main()"],
        env={"_TARETRACE_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(len(words) - 1)},
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert word in done.stdout.split(), done.stderr
    assert "texts" not in done.stdout


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (["report", "texts"], ["translate"]),
        pytest.param(["report", "fleet"], ["benchmark", "--page"], marks=pytest.mark.slow),
        (["report", "what-if"], ["what-if", "--page"]),
    ],
)
def test_a_former_name_works_with_one_line_of_notice_and_is_not_in_the_help(season, old, new):
    now, before = taretrace_here(*new, season, "--json"), taretrace_here(*old, season, "--json")
    assert (before.code, before.out) == (now.code, now.out)
    notice, *rest = before.err.splitlines(keepends=True)
    assert f"taretrace {' '.join(new)}" in notice
    assert "".join(rest) == now.err
    assert taretrace_here(*old, season, "--json", "-q").err == now.err
    assert not re.search(rf"^│ {old[1]} ", taretrace_here("report", "-h").out, re.MULTILINE)


def test_every_visible_command_is_in_a_panel_in_a_user_s_order(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    for words, panels in (([], PROGRAM), (["report"], REPORT)):
        out = taretrace_here(*words, "-h").out
        shown = [m for m in re.findall(r"^│ ([a-z-]+)  ", out, re.MULTILINE) if not m.startswith("-")]
        assert shown == [name for names in panels.values() for name in names]
        assert max(map(len, out.splitlines())) <= 80


def test_a_dry_run_of_ingest_is_the_check_and_writes_nothing(whole):
    root = whole.workspace.root
    before = {p: p.stat().st_mtime_ns for p in root.rglob("*") if p.is_file()}
    new = root / "inbox" / "unknown.csv"
    new.write_text("a;b\n1;2\n", "utf-8")
    try:
        dry, check = (taretrace_here(*words, root, "--json") for words in (["ingest", "--dry-run"], ["check"]))
    finally:
        new.unlink()
    assert (dry.code, json.loads(dry.out)) == (check.code, json.loads(check.out))
    assert {p: p.stat().st_mtime_ns for p in root.rglob("*") if p.is_file()} == before


def test_the_reference_of_commands_is_in_step_with_their_help():
    assert command_reference.PAGE.read_text("utf-8") == command_reference.page(), "run `poe reference`"
