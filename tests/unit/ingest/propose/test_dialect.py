"""Proposals beyond single columns, which are always questions: optional columns, a yield from mass and area."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.support.exports import ROWS, column, write_export
from transforms.config.settings_catalogue import load_catalogue
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.propose.proposal import Proposal
from transforms.ingest.propose.propose import propose
from transforms.ingest.propose.sniff import sniff
from transforms.ingest.propose.table import ProposalContext

CONTEXT = ProposalContext(load_catalogue(), "Europe/Berlin")
LOG = "machine,timestamp,Share depth [cm],Ground speed [km/h]"


def proposal(path: Path, *siblings: tuple[str, str], **answers: Any) -> Proposal:
    context = replace(CONTEXT, siblings=tuple((name, frozenset(head.split(","))) for name, head in siblings))
    (only,) = propose(sniff(path), path, context, answers)
    return only


def test_a_column_that_a_sister_file_lacks_is_optional_if_a_person_says_so(tmp_path):
    path = write_export(
        tmp_path / "log_1.csv", LOG, [f"M1,2025-10-01T08:00:{i:02d}Z,7.{i % 9},6.{i % 7}" for i in ROWS]
    )
    sister = ("log_2.csv", LOG.removesuffix(",Ground speed [km/h]"))
    asked = proposal(path, sister)
    assert [q.key for q in asked.questions] == ["optional"]
    assert all("optional" not in c.row for c in asked.columns)
    answered = proposal(path, sister, optional="yes")
    assert [c.column for c in answered.columns if c.row.get("optional")] == ["ground_speed_kmh"]
    assert not [c for c in proposal(path, sister, optional="no").columns if c.row.get("optional")]
    parse_mapping(answered.table(), "log", load_catalogue(), "log.toml")
    for other in (
        ("log_3.csv", LOG),
        ("log_4.csv", "a,b,c"),
        ("log_5.csv", "timestamp,Share depth [cm],Ground speed [km/h]"),
    ):
        assert proposal(path, other).questions == []


def test_the_yield_is_a_mass_over_an_area_only_if_it_is_plausible_and_a_person_says_so(tmp_path):
    def fields(tonnes: float) -> Path:
        rows = [f"F{i};{3 + i % 4};{(3 + i % 4) * tonnes}" for i in ROWS]
        return write_export(tmp_path / "fields.csv", "Field;Area [ha];Wobble [t]", rows)

    asked = proposal(fields(70.0), kind="field")
    (question,) = [q for q in asked.questions if q.why.code == "ask_ratio"]
    ratio = question.guess
    assert all(c.column != "yield_t_ha" for c in asked.columns)
    answered = proposal(fields(70.0), kind="field", yield_t_ha=ratio)
    row = column(answered, "yield_t_ha").row
    assert row == {"from": ["Wobble [t]", "Area [ha]"], "combine": "ratio", "units": ["t", "ha"]}
    assert answered.unread == []
    assert all(q.why.code != "ask_ratio" for q in proposal(fields(3.0), kind="field").questions)
