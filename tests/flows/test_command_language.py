"""Everything that a command prints about a workspace is in the workspace's language."""

import re

import pytest

from tests.support.linked_workspace import linked_copy
from tests.support.program import Demo
from tests.support.program import taretrace_here as taretrace
from tests.support.pseudo_language import bare, bracketed, texts_of_catalogue
from transforms.config.workspace import Workspace
from transforms.storage.warehouse import Warehouse

LOAD, SUBJECT, TICKETS = "LOAD", "SUBJECT", "TICKETS"
COMMANDS = (
    "status FOLDER",
    "check FOLDER",
    "rejected FOLDER",
    "doctor FOLDER",
    "notify FOLDER",
    "notify FOLDER --test",
    "fit FOLDER",
    "advise FOLDER",
    "ingest FOLDER",
    "post-shift FOLDER",
    "what-if FOLDER --set share_depth_cm=14",
    "benchmark FOLDER",
    "benchmark FOLDER --response root_loss_t_ha",
    "benchmark FOLDER --for SUBJECT",
    "piles FOLDER",
    "explain load LOAD -w FOLDER",
    "map TICKETS -w FOLDER --no-ask",
    "trial plan FOLDER --setting cleaner_1_speed_rpm --machine M02 --detect-pct 20",
    "trial read T001 FOLDER",
    "vary read NONE FOLDER",
    "report shift FOLDER",
    "report fleet FOLDER",
    "report grower FOLDER",
    "report texts FOLDER",
    "repair FOLDER",
    "export FOLDER --to EXPORT",
    "init FOLDER",
    # Errors.
    "explain load NONE -w FOLDER",
    "benchmark FOLDER --for NONE",
    "trial read NONE FOLDER",
    "report load NONE FOLDER",
    "what-if FOLDER --set depth=1",
    "map NONE -w FOLDER",
)
DATA = re.compile(
    r"\S*[/_\d.]\S*|(?:north|south|east|Mo|Di|Mi|Do|Fr|Sa|So|Okt|Nov|Sept?|EUR|Prefect|Dask|rpm|km|tares|Europe|UTC|"
    r"fields|machines|outlines|scale|tickets|generation|NONE|depth|csv|ISO)\b"
)
"""Files, paths, ids, numbers, dates and units: data, not text."""
QUOTED = ("Example", "Written as", "Mapping", "Read from", "First file", "Part of the file")
"""Columns of tables that quote files."""


@pytest.fixture(scope="module")
def german(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The demo season with locale de-DE and a translation that encloses every text in brackets."""
    workspace = linked_copy(demo.workspace, tmp_path_factory.mktemp("german") / "season")
    bracketed(texts_of_catalogue(), workspace.root / "text", "de")
    toml = workspace.root / "season.toml"
    text = toml.read_text("utf-8").replace('locale = "en-GB"', 'locale = "de-DE"')
    toml.write_text(text.replace("[notify]\n", '[notify]\nto = ["json://127.0.0.1:9/"]\n', 1), "utf-8")
    assert Workspace(workspace.root).season.locale == "de-DE"
    return Workspace(workspace.root)


@pytest.fixture(scope="module")
def named(german: Workspace, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Words of the commands that depend on the season."""
    with Warehouse.open_read_only(german.warehouse) as warehouse:
        traced = warehouse.table("load_trace").drop_nulls("machine_id").sort("load_id")["load_id"][0]
        subject = warehouse.table("benchmark").filter(subject_kind="machine").sort("subject_id")["subject_id"][0]
    tickets = min(german.inbox.glob("tickets_*"))
    export = tmp_path_factory.mktemp("export")
    return {"FOLDER": str(german.root), LOAD: traced, SUBJECT: subject, TICKETS: str(tickets), "EXPORT": str(export)}


def untranslated(text: str) -> list[str]:
    """Return the lines with words outside brackets that are not data; cells that quote a file are left out."""
    left, quoted = [], set[int]()
    for line in text.splitlines():
        cells = line.split("\t")
        if len(cells) > 1 and all(c.startswith("⟦") for c in cells if c):
            quoted = {i for i, c in enumerate(cells) if any(name in c for name in QUOTED)}
        elif len(cells) == 1:
            quoted = set()
        own = "\t".join(c for i, c in enumerate(cells) if i not in quoted)
        if re.search(r"[^\W\d_]{3}", DATA.sub("", bare(own))):
            left.append(line)
    return left


@pytest.mark.usefixtures("stored_results")
@pytest.mark.parametrize("command", COMMANDS)
def test_no_english_text_is_left_in_the_output(named, command: str, monkeypatch):
    monkeypatch.setenv("TTY_COMPATIBLE", "0")
    ran = taretrace(*(named.get(word, word) for word in command.split()))
    assert "⟦" in ran.out + ran.err
    assert untranslated(ran.out) == []
    assert untranslated(ran.err.replace("taretrace: ", "")) == []


def test_a_text_outside_brackets_is_noticed():
    assert untranslated("⟦Shift page: ⟧/a/b.html\nShift page: /a/b.html") == ["Shift page: /a/b.html"]
    assert untranslated("⟦File⟧\t⟦Example⟧\na.csv\tany words of a file\nNo new files") == ["No new files"]
