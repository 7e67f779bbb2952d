"""The first hour of a newcomer: a new workspace, a mapping for each file of an invented office, and a page."""

import json
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from tests.support.program import taretrace
from tests.support.program import taretrace_here as taretrace_quickly
from tests.validation.dialects.dialogue import Dialogue
from tests.validation.dialects.interview import FileScore, answer_all
from tests.validation.dialects.office import Office, draw_office
from tests.validation.dialects.write_files import write_office
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Workspace
from transforms.contracts.source_tables import CONTRACTS
from transforms.ingest.propose.table import ProposalContext

SEEDS = (17, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (6, 11)))
"""Offices that write in German, Spanish and French."""
SEED_OF_ALL_KINDS = 3
PAGE_KINDS = {"telemetry", "load", "tare", "field", "machine_setup", "weather_hour"}
"""Kinds that a page needs; the quick test maps only their files."""


@dataclass(frozen=True)
class Mapped:
    """A workspace whose inbox contains the files of an office, and the calls that failed."""

    office: Office
    workspace: Workspace
    failed: dict[str, str]

    def row_count(self) -> int:
        """Return the number of rows that the office wrote."""
        return sum(len(t.rows) for f in self.office.files for table in f.tables for t in table.truths)


def answered(office: Office, at: int, path: Path, catalogue: Catalogue) -> list[str]:
    """Return the options of `map` with the answers of a person who knows the file."""
    file = office.files[at]
    dialogue, score = Dialogue(file, path, ProposalContext(catalogue, office.zone)), FileScore(file.name, file.kinds())
    answer_all(dialogue, dialogue.propose({}), score)
    return [word for key, value in score.answers.items() for word in ("--answer", f"{key}={value}")]


def mapped_office(seed: int, folder: Path, catalogue: Catalogue, kinds: set[str]) -> Mapped:
    """Make a workspace, map each file of an office that has one of the kinds, and copy it into the inbox."""
    office = draw_office(seed)
    office = replace(office, files=[f for f in office.files if kinds & set(f.kinds())])
    ran = taretrace_quickly("init", folder / "season")
    assert ran.code == 0, ran.err
    workspace = Workspace(folder / "season")
    season = workspace.root / "season.toml"
    season.write_text(season.read_text("utf-8").replace("Europe/Prague", office.zone), "utf-8")
    failed = {}
    for at, path in enumerate(write_office(office, folder / "exports")):
        options = answered(office, at, path, catalogue)
        ran = taretrace_quickly("map", path, "-w", workspace.root, "--no-ask", *options)
        if ran.code:
            failed[path.name] = ran.err
        shutil.copy(path, workspace.inbox / path.name)
    return Mapped(office, workspace, failed)


def check_and_ingest(mapped: Mapped) -> None:
    """Check and ingest the files; every row that the office wrote must be accepted."""
    assert mapped.failed == {}
    checked = taretrace_quickly("check", mapped.workspace.root, "--json", "--strict")
    assert checked.code == 0, checked.out + checked.err
    n = mapped.row_count()
    assert n > 0
    ran = taretrace_quickly("ingest", mapped.workspace.root, "--json")
    assert ran.code == 0, ran.err
    taken = json.loads(ran.out)
    assert (taken["rows_accepted"], taken["rows_rejected"]) == (n, 0)
    assert taken["rows_in"] == n + taken["rows_repeated"]  # rows of totals repeat others


@pytest.mark.parametrize("seed", SEEDS)
def test_the_files_that_a_page_needs_are_mapped_checked_and_ingested(seed, tmp_path, catalogue):
    check_and_ingest(mapped_office(seed, tmp_path, catalogue, PAGE_KINDS))


@pytest.mark.slow
def test_each_file_of_an_office_is_mapped_and_becomes_part_of_a_page(tmp_path, catalogue):
    mapped = mapped_office(SEED_OF_ALL_KINDS, tmp_path, catalogue, set(CONTRACTS))
    check_and_ingest(mapped)
    ran = taretrace("post-shift", mapped.workspace.root, "--json")
    assert ran.code == 0, ran.err
    page = Path(json.loads(ran.out)["shift_page"])
    assert page.stat().st_size > 10_000
