"""Columns that are not placed are offered; line numbers, totals and doubtful keys are not taken for values."""

from pathlib import Path
from typing import Any

import pytest

from tests.support.exports import ROWS, column, proposal, proposals, sources, write_export
from transforms.ingest.propose.proposal import IGNORE, READ, SURE
from transforms.ingest.propose.totals import without_totals
from transforms.ingest.propose.unplaced import MAX_OFFERED

DIRT: dict[str, Any] = {"read.Wobble": "dirt_tare_pct"}
HEADER = "Ticket;Weighed;Field;Factory;Net t"


def ticket(i: int) -> str:
    return f"T{700 + 3 * i};13.10.2025 {8 + i // 4:02d}:{15 * (i % 4):02d};F{i % 4};N;{24 + i % 5}.5"


def tickets(tmp_path: Path, header: str, *cells: list[str], totals: str = "") -> Path:
    rows = [";".join([ticket(i), *(c[i] for c in cells)]) for i in ROWS]
    return write_export(tmp_path / "t.csv", f"{HEADER};{header}", [*rows, *([totals] if totals else [])])


def offered(path: Path, **answers: Any) -> dict[str, tuple[str, ...]]:
    """Return source -> choices of the columns that are offered."""
    return {q.key.removeprefix(READ): q.choices for p in proposals(path, **answers) for q in p.optional}


def test_an_unknown_column_is_offered_for_the_values_that_its_type_and_range_allow(tmp_path):
    path = tickets(tmp_path, "Wobble;Blurb", [f"M{i % 3}" for i in ROWS], [f"all of it was fine {i}" for i in ROWS])
    found = offered(path)
    assert "machine_id" in found["Wobble"]
    assert found["Wobble"][-1] == IGNORE
    assert not {"truck_full_t", "left_field_at", "dirt_tare_pct"} & set(found["Wobble"])
    assert "Blurb" not in found
    placed = proposal(path, **{"read.Wobble": "machine_id"})
    assert sources(placed)["machine_id"] == ["Wobble"]
    assert column(placed, "machine_id").confidence == 1.0
    assert offered(path, **{"read.Wobble": IGNORE}) == {}


def test_columns_placed_on_one_value_are_read_together(tmp_path):
    rows = [f"M1,2025-10-01T08:00:{i:02d}Z,{7 + i % 3}.5,{7 + i % 3}.1" for i in ROWS]
    path = write_export(tmp_path / "log.csv", "machine,timestamp,Wobble kl [cm],Wobble kr [cm]", rows)
    (key,) = offered(path, kind="telemetry")
    assert key == "Wobble kl [cm] + Wobble kr [cm]"
    assert "share_depth_cm" in offered(path, kind="telemetry")[key]
    ways: list[dict[str, Any]] = [
        {READ + key: "share_depth_cm"},
        {"share_depth_cm": key},
        {f"{READ}Wobble kl [cm]": "share_depth_cm", f"{READ}Wobble kr [cm]": "share_depth_cm"},
    ]
    for answers in ways:
        placed = proposal(path, kind="telemetry", **answers)
        assert sources(placed)["share_depth_cm"] == ["Wobble kl [cm]", "Wobble kr [cm]"]
        assert column(placed, "share_depth_cm").row["unit"] == "cm"


def test_a_result_of_the_laboratory_in_a_ticket_makes_a_mapping_of_its_own(tmp_path):
    path = tickets(tmp_path, "Wobble", [f"{6 + i % 7}.5" for i in ROWS])
    assert "dirt_tare_pct" in offered(path)["Wobble"]
    kinds = {p.kind: p for p in proposals(path, **DIRT)}
    assert set(kinds) == {"load", "tare"}
    assert sources(kinds["tare"])["dirt_tare_pct"] == ["Wobble"]
    assert sources(kinds["tare"])["load_id"] == ["Ticket"]


@pytest.mark.parametrize("first", [0, 1])
def test_a_number_that_rises_by_one_from_row_to_row_is_a_line_number(tmp_path, first):
    numbers = [str(i + first) for i in ROWS]
    rows = [f"A{i};13.10.2025 08:{i:02d};F1;M1;100;{n};4" for i, n in zip(ROWS, numbers, strict=True)]
    header = "Audit;Date;Field;Machine;Roots of sample;Plot rows;Broken 2-4 cm"
    path = write_export(tmp_path / "audit.csv", header, rows)
    assert "plot_rows_count" not in sources(proposal(path, kind="loss_audit"))
    same = write_export(
        tmp_path / "audit.csv", header, [r.replace(f";100;{n};", ";100;6;") for r, n in zip(rows, numbers, strict=True)]
    )
    assert sources(proposal(same, kind="loss_audit"))["plot_rows_count"] == ["Plot rows"]


def test_a_ticket_is_no_certain_sample_number_beside_another_unique_one(tmp_path):
    rows = [f"T{700 + 3 * i};{6 + i % 7}.5" for i in ROWS]
    alone = proposal(write_export(tmp_path / "a.csv", "Ticket;Dirt tare %", rows), kind="tare")
    assert column(alone, "sample_id").confidence >= SURE
    rows = [f"{r};Q{9000 + 7 * i}" for i, r in zip(ROWS, rows, strict=True)]
    both = proposal(write_export(tmp_path / "b.csv", "Ticket;Dirt tare %;Wobble", rows), kind="tare")
    assert column(both, "sample_id").confidence < SURE
    (question,) = [q for q in both.questions if q.key == "sample_id"]
    assert {"Ticket", "Wobble"} <= set(question.choices)


def test_a_row_of_totals_is_left_out_of_the_sample_and_named_in_the_mapping(tmp_path):
    path = tickets(tmp_path, "Void", ["" if i else "yes" for i in ROWS], totals="Wszystko;;;;612.0;")
    found = proposal(path)
    assert found.layout["totals"][-1] == "Wszystko"
    rows = [["a1", "x", "5"], ["a2", "y", "6"], ["a3", "z", "7"], ["Sum", "", "18"]]
    assert without_totals(rows) == (rows[:-1], [])
    for last in (["a4", "", "8"], ["Sum", "x", "18"]):
        assert without_totals([*rows[:-1], last]) == ([*rows[:-1], last], [])


def test_nothing_is_certain_while_the_kind_of_rows_is_asked(tmp_path):
    rows = [f"K{i};13.10.2025 08:{i:02d};M1;F1;100;{i % 4};{i % 3}" for i in ROWS]
    path = write_export(tmp_path / "x.csv", "Control;Date;Machine;Field;Roots;Broken 2-4 cm;Broken 4-6 cm", rows)
    open_kind = proposal(path)
    assert [q.key for q in open_kind.questions if q.key == "kind"] == ["kind"]
    assert all(c.confidence < SURE for c in open_kind.columns)
    assert any(c.confidence >= SURE for c in proposal(path, kind="root_check").columns)


def test_of_very_many_columns_the_likeliest_are_offered(tmp_path):
    names = [f"wo{i}" for i in range(80)]
    header = ",".join(["machine,timestamp", *names, "depth of the wobble"])
    rows = [",".join([f"M1,2025-10-01T08:00:{i:02d}Z", *(f"{n % 7}.{i % 9}" for n in range(81))]) for i in ROWS]
    path = write_export(tmp_path / "log.csv", header, rows)
    found = offered(path, kind="telemetry")
    assert len(found) == MAX_OFFERED
    placed = {c for c, s in sources(proposal(path, kind="telemetry")).items() if s == ["depth of the wobble"]}
    assert placed or "depth of the wobble" in found
