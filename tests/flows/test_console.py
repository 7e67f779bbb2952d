"""Console output: names of files cannot control the terminal, and a wrong kind is answered in one sentence."""

import json
import unicodedata

import pytest
from rich.console import Console

from flows.cli.columns import plain
from flows.cli.console_table import ConsoleTable
from flows.cli.decisions import SubjectKind
from flows.cli.mapping import FileKind
from flows.cli.output import print_line, show, strong
from flows.cli.printable import UNPRINTABLE, printable
from tests.support.program import taretrace_here as taretrace
from transforms.config.workspace import Workspace, init_workspace
from transforms.contracts.source_tables import CONTRACTS

EVIL = ["red\x1b[31m", "title\x1b]0;x\x07", "\u202egpj", "two\nlines", "[/y]", "[red]r", "\u2066i", "c1\x9b31m"]
BOUNDARY = (
    'kind = "field_boundary"\nfiles = ["*.csv"]\n[columns.field_id]\nfrom = "id"\n[columns.boundary]\nfrom = "b"\n'
)


def control_characters(text: str) -> set[str]:
    """Return the control characters of a text, except line ends and the tabs between fields."""
    return {c for c in text if unicodedata.category(c) in UNPRINTABLE and c not in "\n\t"}


@pytest.mark.parametrize("name", EVIL)
def test_printable_text_has_no_control_characters(name):
    assert control_characters(printable(name)) == set()
    assert "\n" not in printable(name)


def test_printable_text_is_unchanged():
    for text in ("Žluťoučký kůň 12 °C", "naïve [bold]x[/bold] \\[y]", "一二三", "1\u00a0000"):
        assert printable(text) == text


def test_undecodable_bytes_of_a_name_can_be_printed():
    assert printable(b"\xff.csv".decode("utf-8", "surrogateescape")).encode() == b"\\udcff.csv"


@pytest.mark.parametrize("terminal", ["0", "1"])
@pytest.mark.parametrize("name", EVIL)
def test_lines_and_tables_show_names_without_markup(name, terminal, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setenv("TTY_COMPATIBLE", terminal)
    monkeypatch.setenv("TERM", "dumb")
    print_line(Console(), f"in {name}: ", strong(name))
    show(ConsoleTable(f"Table {name}", (plain(name, "n"),), [{"n": name}]))
    out, err = capsys.readouterr()
    assert control_characters(out + err) == set()
    assert (out + err).count(printable(name)) == 5


def test_names_of_files_never_control_the_terminal(tmp_path):
    workspace = init_workspace(tmp_path / "season [/y]")
    (workspace.mappings / "f.toml").write_text(BOUNDARY)
    for name in EVIL:
        base = name.replace("/", "")
        (workspace.inbox / f"{base}.csv").write_text("id,b\nf1,x\n,y\n")
        (workspace.inbox / f"{base}.txt").write_text("hello")
        (workspace.inbox / f".{base}").write_text("half")
    for words in (["check"], ["ingest"], ["status"], ["rejected"], ["doctor"], ["check"]):
        ran = taretrace(*words, workspace.root)
        assert ran.code in ({0, 2} if words == ["doctor"] else {0}), (words, ran.err)
        assert control_characters(ran.out + ran.err) == set(), words
        assert "internal error" not in ran.err


@pytest.mark.parametrize("name", ["[/y]", "\x1b[31m", "\u202ex"])
def test_a_folder_with_any_name_can_be_a_workspace(tmp_path, name):
    root = tmp_path / name
    for words in (["init", root], ["status", root], ["doctor", root], ["ingest", root], ["fit", root]):
        ran = taretrace(*words)
        assert ran.code in {0, 2}, ran.err
        assert control_characters(ran.out + ran.err) == set()
    assert Workspace(root).season.units == "metric"


def refusal(*words) -> str:
    ran = taretrace(*words)
    assert ran.code == 2
    assert len(ran.err.splitlines()) == 1
    return ran.err


def test_a_wrong_kind_is_answered_with_the_list_of_kinds(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    file = tmp_path / "x.csv"
    file.write_text("a,b\n1,2\n")
    for words, kinds in (
        (("benchmark", workspace.root, "--kind", "banana"), SubjectKind),
        (("map", file, "-w", workspace.root, "--kind", "banana"), FileKind),
        (("map", file, "-w", workspace.root, "--answer", "kind=banana"), FileKind),
    ):
        said = refusal(*words)
        assert "banana" in said
        assert all(kind in said for kind in kinds)
    assert list(FileKind) == list(CONTRACTS)


def test_a_given_kind_is_used(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    file = tmp_path / "x.csv"
    file.write_text("id,b\nf1,x\n")
    answers = ("-a", "field_id=id", "-a", "boundary=b")
    ran = taretrace("map", file, "-w", workspace.root, "--kind", "field_boundary", *answers, "--json")
    assert ran.code == 0, ran.err
    assert 'kind = "field_boundary"' in next(workspace.mappings.iterdir()).read_text()
    assert json.loads(ran.out)["rejected"] == 0
