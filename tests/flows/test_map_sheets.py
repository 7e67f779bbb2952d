"""`map` and `doctor` name the sheets of a workbook that no mapping reads, and mappings that are not saved."""

import json
from typing import Any

import xlsxwriter

from tests.support.exports import ROWS
from tests.support.program import taretrace_here as taretrace
from transforms.config.workspace import init_workspace


def test_map_saves_what_it_can_read_and_names_the_rest(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    path = workspace.inbox / "week.xlsx"
    with xlsxwriter.Workbook(path) as book:
        pages = {name: book.add_worksheet(name) for name in ("Loads", "Lab", "Blurbs", "Cover")}
        pages["Cover"].write(0, 0, "The season")
        pages["Loads"].write_row(0, 0, ["Ticket", "Weighed", "Field", "Factory", "Delivered (t)"])
        pages["Lab"].write_row(0, 0, ["Sample no", "Ticket", "Dirt (%)"])
        pages["Blurbs"].write_row(0, 0, ["Blurb", "Wobble", "Zorp"])
        for i in ROWS:
            pages["Loads"].write_row(i + 1, 0, [f"T{i}", f"2025-10-13 08:{i:02d}", f"F{i % 3}", "N", 24.5 + i / 10])
            pages["Lab"].write_row(i + 1, 0, [f"S{i}", f"T{i}", 170.5 + i])
            pages["Blurbs"].write_row(i + 1, 0, [i * 7 % 5, i * 3 % 7, i % 4])
    given: list[Any] = ["map", path, "-w", workspace.root, "--json", "-a", "time_zone=UTC"]
    asked = taretrace(*given)
    assert asked.code == 2
    open_questions = json.loads(asked.out)
    assert "Blurbs:kind" in {q["key"] for q in open_questions["questions"]}
    assert open_questions["unread_sheets"] == ["Cover"]
    units = ["-a", "Lab:dirt_tare_pct.unit=pct", "-a", "Lab:dirt_tare_pct=Dirt (%)"]
    ran = taretrace(*given, "-a", "Blurbs:kind=ignore", *units)
    assert ran.code == 0, ran.err
    result = json.loads(ran.out)
    assert result["unread_sheets"] == ["Blurbs", "Cover"]
    # A share of dirt of more than 100 % is rejected in every row.
    assert {m["kind"]: m["saved"] for m in result["mappings"]} == {"load": True, "tare": False}
    assert [m.name for m in workspace.mappings.glob("*.toml")] == ["load_week.toml"]
    taretrace("ingest", workspace.root, "--json")
    findings = json.loads(taretrace("doctor", workspace.root, "--json").out)["findings"]
    (sheet,) = [f for f in findings if f["code"] == "inbox.sheet_not_read"]
    assert "Blurbs" in json.dumps(sheet)
