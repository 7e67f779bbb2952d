"""Patterns of file names match later exports of the same kind, and no sister files."""

from fnmatch import fnmatch
from pathlib import Path

import pytest

from tests.support.exports import ROWS, column, proposal, write_export
from transforms.ingest.propose.elsewhere import id_in_file_name, id_in_preamble
from transforms.ingest.propose.file_pattern import files_pattern
from transforms.ingest.propose.lexicon import package_lexicon

LOG = [f"13.10.2025 08:00:{i:02d};7.{i % 9}" for i in ROWS]


def test_a_constant_machine_claims_its_own_file_alone(tmp_path):
    path = write_export(tmp_path / "log_M07_20251001.csv", "Zeit (UTC);Rodetiefe cm", LOG)
    constant = proposal(path, machine_id="=M07")
    assert constant.layout["files"] == ["log_M07_20251001.csv"]
    named = proposal(path, machine_id="name")
    assert fnmatch("log_M08_20251002.csv", named.layout["files"][0])
    assert column(named, "machine_id").row["file_name"]


@pytest.mark.parametrize(
    ("name", "rows", "same", "other"),
    [
        ("tickets_plant2_2025-10-13.csv", {"site_id": {"value": "2"}}, "tickets_plant2_2025-10-20.csv", "tickets_plant3_2025-10-13.csv"),
        ("tickets_2025-10-13.csv", {}, "tickets_2025-10-20.csv", "lab_2025-10-13.csv"),
        ("20251013.csv", {}, "20251020.csv", "tickets.csv"),
        ("kw40.csv", {"site_id": {"value": "N"}}, "kw41.csv", "log40.csv"),
    ],
)
def test_a_pattern_matches_the_next_export_and_no_sister(name, rows, same, other):
    pattern = files_pattern(Path(name), rows)
    assert fnmatch(name, pattern)
    assert fnmatch(same, pattern)
    assert not fnmatch(other, pattern)


def test_a_week_in_a_file_name_is_no_machine():
    assert id_in_file_name("log_kw40_.csv") is None
    assert id_in_file_name("log_w40_R7_.csv").value == "R7"


def test_a_machine_above_the_header_is_read_from_there(tmp_path):
    path = write_export(tmp_path / "log.csv", "Maschine: R07;Stand 1\n\nZeit (UTC);Rodetiefe cm", LOG)
    proposed = proposal(path)
    assert not proposed.questions
    assert proposed.layout["header_line"] == 3
    found = id_in_preamble("machine_id", ["Maschine: R07"], package_lexicon())
    assert found is not None
    assert column(proposed, "machine_id").row == {"preamble": found.pattern}
