"""The command `map`: proposals, questions and saved mappings for many kinds of export."""

import datetime as dt
import io
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from rich.console import Console

from flows.cli.mapping_preview import print_proposal
from flows.runtime.progress import Reporter
from tests.support.program import taretrace_here as taretrace
from tests.support.task_data import Moment, Value, write_set
from tests.validation.seasons import Season
from transforms.config.workspace import init_workspace
from transforms.ingest.propose.proposal import ColumnProposal, Proposal

QUIET = Reporter(quiet=True)


@pytest.fixture
def workspace(tmp_path):
    return init_workspace(tmp_path / "w")


def mapped(workspace, path: Path, *answers: str, code: int = 0) -> dict[str, Any]:
    """Map a file without a person to ask; return the JSON result."""
    words = [w for a in answers for w in ("--answer", a)]
    ran = taretrace("map", path, "-w", workspace.root, "--json", *words)
    assert ran.code == code, ran.err
    assert "Traceback" not in ran.err
    return json.loads(ran.out)


def saved(result: dict[str, Any]) -> dict[str, Any]:
    return tomllib.loads(Path(result["mapping"]).read_text())


def test_a_log_in_local_words_units_beneath_left_and_right_and_a_decimal_comma(workspace, tmp_path):
    path = tmp_path / "log_M07_20251001.csv"
    path.write_text(
        "Roder Nord;Export vom 01.10.2025\n\nUhrzeit;Breite;Länge;Betriebszustand;Fahrgeschwindigkeit;"
        "Rodetiefe links;Rodetiefe rechts;"
        "Schlegler Drehzahl;Siebstern 1;Fahrer\n;°;°;;km/h;cm;cm;1/min;%;\n"
        + "".join(f"13.10.2025 08:00:{s:02d};50,1;15,2;Roden;6,{s};7,5;8,5;900;{40 + s};x\n" for s in range(10, 40))
        + "13.10.2025 08:00:40;50,1;15,2;Vorgewende;2,5;0;0;900;45;x\n",
        "utf-8",
    )
    asked = mapped(workspace, path, code=2)
    assert {q["key"] for q in asked["questions"]} == {"time_zone", "machine_id", "cleaner_1_speed_rpm.full_scale"}
    given = ["time_zone=Europe/Berlin", "machine_id=name"]
    odd = mapped(workspace, path, *given, "cleaner_1_speed_rpm.full_scale=fast", code=2)
    assert "'fast' is not a number" in odd["questions"][0]["text"]
    result = mapped(workspace, path, *given, "cleaner_1_speed_rpm.full_scale=80")
    table = saved(result)
    assert (table["separator"], table["decimal"], table["header_line"], table["unit_row"]) == (";", ",", 3, True)
    columns = table["columns"]
    assert columns["share_depth_cm"] == {"from": ["Rodetiefe links", "Rodetiefe rechts"], "unit": "cm"}
    assert columns["cleaner_1_speed_rpm"] == {"from": "Siebstern 1", "unit": "pct", "full_scale": 80.0}
    assert columns["work_state"]["words"] == {"Roden": "working", "Vorgewende": "turning"}
    assert columns["logged_at"]["time_zone"] == "Europe/Berlin"
    first = result["rows"][0]
    assert len(result["rows"]) == 10
    assert (first["machine_id"], first["share_depth_cm"], first["cleaner_1_speed_rpm"]) == ("M07", 8.0, 40.0)
    assert first["logged_at"].startswith("2025-10-13 06:00:10")
    text = Path(result["mapping"]).read_text()
    assert "# Columns not read: Fahrer" in text
    assert text.count("% sure: ") == len(columns)


@pytest.mark.parametrize(
    ("header", "cell", "unit", "metric"),
    [
        ("Speed (mph)", "4.0", "mph", 6.44),
        ("Speed [m/s]", "1.7", "m/s", 6.12),
        ("speed_m_s", "1.7", "m/s", 6.12),
        ("Ground speed km/h", "6.1", "kmh", 6.1),
    ],
)
def test_units_in_headers_us_and_metric(workspace, tmp_path, header, cell, unit, metric):
    path = tmp_path / "log.csv"
    rows = "".join(f"M1,2025-10-01T08:00:{s:02d}Z,{cell}\n" for s in range(20))
    path.write_text(f"machine,timestamp,{header}\n{rows}")
    result = mapped(workspace, path)
    assert saved(result)["columns"]["ground_speed_kmh"] == {"from": header, "unit": unit}
    assert result["rows"][0]["ground_speed_kmh"] == pytest.approx(metric, abs=0.01)


def test_a_unit_that_is_not_stated_is_asked_for_and_never_guessed(workspace, tmp_path):
    path = tmp_path / "tickets_2025.csv"
    path.write_text(
        "Ticket;Field;Factory;Weighed;Delivered;Clean\n"
        + "".join(f"{i};F1;north;2025-10-{i % 9 + 13} 08:00;27{i};24{i}\n" for i in range(10, 40))
    )
    asked = mapped(workspace, path, "time_zone=UTC", code=2)
    questions = {q["key"]: q for q in asked["questions"]}
    assert set(questions) == {"delivered_t.unit"}
    assert questions["delivered_t.unit"]["guess"] == ""
    assert "values from 2710 to 2739" in questions["delivered_t.unit"]["text"]
    assert set(questions["delivered_t.unit"]["choices"]) >= {"kg", "t", "lb", "short_ton"}
    assert not list(workspace.mappings.iterdir())
    wrong = mapped(workspace, path, "time_zone=UTC", "delivered_t.unit=cm", "clean_t.unit=kg", code=2)
    assert "'cm' cannot become t" in wrong["questions"][0]["text"]
    result = mapped(workspace, path, "time_zone=UTC", "delivered_t.unit=lb", "clean_t.unit=lb")
    assert result["rows"][0]["delivered_t"] == pytest.approx(2710 * 0.00045359237)


GROSS_AND_NET = "Ticket;Field;Factory;Weighed;Gross t;Net t\n"
TRUCK = "Ticket;Field;Factory;Weighed;Gross t;Tare t;Net t\n"


def tickets(tmp_path: Path, header: str, *weights: float) -> Path:
    path = tmp_path / "tickets_2025.csv"
    cells = ";".join(map(str, weights))
    path.write_text(header + "".join(f"T{i};F1;north;2025-10-13 08:{i};{cells}\n" for i in range(10, 40)))
    return path


def test_gross_and_net_whose_relation_excludes_the_truck_are_delivered_and_clean(workspace, tmp_path):
    row = mapped(workspace, tickets(tmp_path, GROSS_AND_NET, 27.1, 24.3), "time_zone=UTC")["rows"][0]
    assert (row["delivered_t"], row["clean_t"]) == (27.1, 24.3)


def test_gross_and_net_whose_relation_settles_nothing_are_asked_about(workspace, tmp_path):
    path = tickets(tmp_path, GROSS_AND_NET, 30.0, 22.0)
    asked = {q["key"]: q["guess"] for q in mapped(workspace, path, "time_zone=UTC", code=2)["questions"]}
    assert set(asked.values()) == {"Gross t", "Net t"}


def test_gross_less_tare_that_is_net_is_the_full_truck(workspace, tmp_path):
    row = mapped(workspace, tickets(tmp_path, TRUCK, 40.1, 15.0, 25.1), "time_zone=UTC")["rows"][0]
    assert [row[key] for key in ("truck_full_t", "truck_empty_t", "delivered_t")] == [40.1, 15.0, 25.1]


def test_an_answer_takes_a_column_from_another_that_was_proposed(workspace, tmp_path):
    path = tickets(tmp_path, GROSS_AND_NET, 40.1, 25.1)
    row = mapped(workspace, path, "time_zone=UTC", "delivered_t=Net t", "truck_full_t=Gross t")["rows"][0]
    assert (row["truck_full_t"], row["delivered_t"], row.get("clean_t")) == (40.1, 25.1, None)


def test_both_weights_of_the_truck_suffice(workspace, tmp_path):
    path = tickets(tmp_path, "Ticket;Field;Factory;Weighed;Full t;Empty t\n", 40.1, 15.0)
    row = mapped(workspace, path, "time_zone=UTC")["rows"][0]
    assert (row["truck_full_t"], row["truck_empty_t"]) == (40.1, 15.0)


def test_a_clean_weight_alone_is_asked_for_a_delivered_one(workspace, tmp_path):
    path = tickets(tmp_path, "Ticket;Field;Factory;Weighed;Clean t\n", 24.3)
    (question,) = mapped(workspace, path, "time_zone=UTC", code=2)["questions"]
    assert question["key"] == "delivered_t"
    assert "truck_full_t + truck_empty_t" in question["text"]


def test_an_implausible_stated_unit_is_asked_about(workspace, tmp_path):
    path = tmp_path / "tickets.csv"
    path.write_text(
        "Ticket;Field;Factory;Weighed;Delivered kg;Clean kg\n"
        + "".join(f"{i};F1;n;2025-10-13 08:{i}:00;27.{i};24.{i}\n" for i in range(10, 40))
    )
    asked = mapped(workspace, path, "time_zone=UTC", code=2)
    assert "said to be in kg, but then" in {q["key"]: q for q in asked["questions"]}["delivered_t.unit"]["text"]


def test_ambiguous_day_and_month_are_asked_about(workspace, tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(
        "machine,time,depth_cm\n"
        + "".join(f"M1,{d:02d}/{m:02d}/2025 08:00:00,7.5\n" for d in range(1, 9) for m in (10, 11))
    )
    asked = mapped(workspace, path, "time_zone=UTC", code=2)
    (question,) = asked["questions"]
    assert question["key"] == "logged_at.format"
    assert {"%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"} <= set(question["choices"])
    result = mapped(workspace, path, "time_zone=UTC", "logged_at.format=%m/%d/%Y %H:%M:%S")
    assert result["rows"][0]["logged_at"].startswith("2025-01-10")


def test_three_digits_after_the_mark_could_be_thousands(workspace, tmp_path):
    path = tmp_path / "tickets.csv"
    path.write_text(
        "Ticket;Field;Factory;Weighed;Delivered kg;Clean kg\n"
        + "".join(f"T{i};F1;n;2025-10-13 08:{i}:00;27.{i}0;24.{i}0\n" for i in range(10, 40))
    )
    asked = mapped(workspace, path, "time_zone=UTC", code=2)
    assert "decimal" in {q["key"] for q in asked["questions"]}
    result = mapped(workspace, path, "time_zone=UTC", "decimal=,")
    assert result["rows"][0]["delivered_t"] == pytest.approx(27.1)


def test_steps_of_a_machine_and_a_setting_defined_by_the_workspace(workspace, tmp_path):
    season = workspace.root / "season.toml"
    season.write_text(
        season.read_text()
        + '\n[settings.fan_speed_rpm]\nstage = "cleaning"\nlabel = "fan speed"\nunit = "rpm"\nlow = 0\nhigh = 3000\n'
        'step = 100\nresponses = ["dirt_tare_pct"]\nup = "faster"\ndown = "slower"\n'
    )
    path = tmp_path / "log.csv"
    path.write_text(
        "machine,timestamp,Depth,Fan speed\n"
        + "".join(f"M1,2025-10-01T08:00:{s:02d}Z,{s % 9 + 1},900\n" for s in range(30))
    )
    result = mapped(workspace, path, "share_depth_cm.unit=steps 1=4.0, 9=10.0", "fan_speed_rpm.unit=rpm")
    assert saved(result)["columns"]["share_depth_cm"]["steps"] == {"1": 4.0, "9": 10.0}
    assert [r["share_depth_cm"] for r in result["rows"][:3]] == [4.0, 4.75, 5.5]
    assert result["rows"][0]["fan_speed_rpm"] == 900.0


def test_an_ambiguous_encoding_is_asked_for(workspace, tmp_path):
    path = tmp_path / "fields.csv"
    columns = "Field;Grower;Station;Lat;Lon;Area ha;Sand %;Clay %;Humus %;Yield t/ha;Row spacing cm"
    rows = "".join(f"Å{i} Ø;G1;S1;50.1;15.2;12;30;20;2;75;50\n" for i in range(3))
    path.write_bytes((columns + "\n" + rows).encode("cp865"))
    asked = mapped(workspace, path, code=2)
    assert asked["questions"][0]["key"] == "encoding"
    result = mapped(workspace, path, "encoding=cp865")
    assert result["rows"][0]["field_id"] == "Å0 Ø"


def test_a_workbook_with_a_header_of_two_rows_and_totals(workspace, tmp_path):
    path = tmp_path / "tares_week_40.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("Cover").write(0, 0, "Laboratory")
        page = book.add_worksheet("Results")
        page.merge_range(0, 2, 0, 3, "Tare")
        page.write_row(0, 0, ["Sample", "Ticket"])
        page.write_row(1, 2, ["Soil %", "Crown %"])
        for i in range(2, 30):
            page.write_row(i, 0, [f"s{i}", f"t{i}", 6.5 + i / 10, 4.2])
        page.write_row(30, 0, ["Total", 28, 99.0, ""])
    result = mapped(workspace, path, "dirt_tare_pct=Tare Soil %", "top_tare_pct=Tare Crown %")
    table = saved(result)
    assert (table["sheet"], table["header_rows"]) == ("Results", 2)
    assert result["rejected"] == 0
    assert result["rows"][0]["dirt_tare_pct"] == 6.7


def test_a_root_check_in_german_is_recognised_with_its_classes_and_place(workspace, tmp_path):
    path = tmp_path / "bonitur.csv"
    path.write_text(
        "Bonitur Nr;Datum Zeit;Roder;Schlag;Entnahmeort;Anzahl Rüben;Blattstiele über 2 cm;Richtig geköpft;"
        "Zu tief geköpft;Schräg geköpft;Bruch 2-4 cm;Bruch 4-6 cm;Stark beschädigt;Prüfer\n"
        + "".join(f"B{i};13.10.2025 08:{i}:00;M1;F1;Miete;100;4;80;6;3;30;10;5;x\n" for i in range(10, 40)),
        "utf-8",
    )
    result = mapped(workspace, path, "time_zone=Europe/Berlin")
    table = saved(result)
    assert table["kind"] == "root_check"
    assert {n: c["from"] for n, c in table["columns"].items()} == {
        "check_id": "Bonitur Nr",
        "checked_at": "Datum Zeit",
        "machine_id": "Roder",
        "field_id": "Schlag",
        "place": "Entnahmeort",
        "checked_roots_count": "Anzahl Rüben",
        "petioles_over_2_cm_count": "Blattstiele über 2 cm",
        "clean_topped_count": "Richtig geköpft",
        "over_topped_count": "Zu tief geköpft",
        "slanting_count": "Schräg geköpft",
        "broken_2_4_cm_count": "Bruch 2-4 cm",
        "broken_4_6_cm_count": "Bruch 4-6 cm",
        "severely_damaged_count": "Stark beschädigt",
    }
    assert table["columns"]["place"]["words"] == {"Miete": "pile"}
    assert result["rejected"] == 0
    assert result["rows"][0]["place"] == "pile"


def test_rows_that_a_mapping_would_reject_are_listed_by_reason_and_it_is_saved(workspace, tmp_path):
    path = tmp_path / "root_checks.csv"
    path.write_text(
        "Root check,Checked at,Ticket,Roots checked,Too deep\n"
        + "".join(f"B{i},2025-10-13 08:{i}:00,T{i},{100 if i % 10 else -1},4\n" for i in range(10, 40))
    )
    ran = taretrace("map", path, "-w", workspace.root, "--no-ask", "--answer", "time_zone=UTC")
    assert ran.code == 0, ran.err
    lines = [line.split("\t") for line in ran.out.splitlines()]
    rejected = [line for line in lines if line[0] == path.name]
    assert [(line[2], line[3]) for line in rejected] == [("3", "2")]
    assert len(list(workspace.mappings.glob("*.toml"))) == 1


def test_a_log_without_a_machine_setting_is_reported_before_it_is_saved(tmp_path):
    season = init_workspace(tmp_path / "s").season
    depth = ColumnProposal("share_depth_left_cm", {"from": ["Tiefe"]}, 1.0, [])
    place = ColumnProposal("lat_deg", {"from": ["Breite"]}, 1.0, [])
    lines = []
    for columns in ([place], [place, depth]):
        text = io.StringIO()
        print_proposal(Console(file=text, stderr=True), [Proposal("telemetry", {}, columns)], season)
        lines.append(text.getvalue().count("share_depth_cm="))
    assert lines == [1, 0]


def test_an_unknown_place_is_asked_for(workspace, tmp_path):
    path = tmp_path / "root_checks.csv"
    path.write_text(
        "Root check,Checked at,Ticket,Place,Roots checked,Too deep\n"
        + "".join(f"B{i},2025-10-13 08:{i}:00,T{i},cellar,100,4\n" for i in range(10, 40))
    )
    asked = mapped(workspace, path, "time_zone=UTC", code=2)
    assert {q["key"]: q["choices"] for q in asked["questions"]} == {"place.cellar": ["tank", "pile", "yard"]}
    result = mapped(workspace, path, "time_zone=UTC", "place.cellar=yard")
    assert result["rows"][0]["place"] == "yard"


def test_an_audit_by_rows_in_us_units_is_recognised(workspace, tmp_path):
    path = tmp_path / "losses.csv"
    path.write_text(
        "Audit,Dug,Harvester,Field,Plot length (ft),Rows dug,Row spacing (in),Lost weight (lb)\n"
        + "".join(f"A{i},2025-10-13 08:{i}:00,M1,F1,10,6,22,{i / 10}\n" for i in range(10, 40))
    )
    result = mapped(workspace, path, "time_zone=UTC")
    table = saved(result)
    assert table["kind"] == "loss_audit"
    assert {n: c.get("unit") for n, c in table["columns"].items() if c.get("unit")} == {
        "plot_length_m": "ft",
        "row_spacing_cm": "in",
        "lost_mass_kg": "lb",
    }
    assert result["rows"][0]["plot_length_m"] == pytest.approx(3.048)
    assert result["rejected"] == 0


def test_a_file_without_any_of_the_needed_results_is_asked_about(workspace, tmp_path):
    path = tmp_path / "losses.csv"
    path.write_text(
        "Audit,Dug,Harvester,Field,Plot m2,Zz\n"
        + "".join(f"A{i},2025-10-13 08:{i}:00,M1,F1,60,{i}\n" for i in range(10, 40))
    )
    asked = mapped(workspace, path, "time_zone=UTC", "kind=loss_audit", code=2)
    assert [q["key"] for q in asked["questions"]] == ["broken_2_4_cm_count"]
    result = mapped(workspace, path, "time_zone=UTC", "kind=loss_audit", "broken_count=Zz")
    assert saved(result)["columns"]["broken_count"] == {"from": "Zz"}


def test_task_data_is_mapped_without_questions_and_lists_its_other_values(workspace, tmp_path):
    values = [Value(397, designator="Speed"), Value(0xE001, designator="Cleaner front", scale=(0, 0.1, "1/min"))]
    folder = write_set(tmp_path / "TASK01", [Moment(dt.datetime(2025, 10, 1, 8), {}, {0: 1000, 1: 450})], values)  # noqa: DTZ001
    result = mapped(workspace, folder)
    assert saved(result)["form"] == "iso11783"
    assert "ddi 57345 | machine (Cleaner front)" in Path(result["mapping"]).read_text()
    assert result["rows"][0]["ground_speed_kmh"] == pytest.approx(3.6)


@pytest.mark.parametrize(
    "name",
    [
        "log_a_M01_w1.csv",
        "log_b_M04_w1.csv",
        "tickets_north.csv",
        "tares.xlsx",
        "loss_audits.xlsx",
        "machines.csv",
        "fields.csv",
        "weather_station-north.csv",
    ],
)
def test_the_proposed_mapping_of_every_demo_export_reads_the_same_rows_as_its_own_mapping(
    season: Season, tmp_path, name, catalogue
):
    from transforms.ingest.mapping_file import read_mapping, read_mappings  # noqa: PLC0415
    from transforms.ingest.mapping_match import matching_mappings  # noqa: PLC0415
    from transforms.ingest.preview import first_rows  # noqa: PLC0415

    source = season.workspace.inbox / name
    if not source.exists():
        source = next(season.workspace.inbox.glob(name[:7] + "*"))
    new = init_workspace(tmp_path / "w")
    result = mapped(
        new,
        source,
        f"time_zone={season.workspace.season.time_zone}",
        "machine_id=" + ("name" if "log_a" in name else "machine"),
    )
    proposed = read_mapping(Path(result["mapping"]), catalogue)
    (original,) = matching_mappings(name, read_mappings(season.workspace.mappings, catalogue))
    one, two = (first_rows(source, m, catalogue, 50)[0] for m in (proposed, original))
    shared = [c for c in two.columns if two[c].count()]
    assert one.select(shared).equals(two.select(shared))


def test_a_person_is_asked_one_question_at_a_time(workspace, tmp_path, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("Europe/Prague\ncm\n"))
    path = tmp_path / "log.csv"
    path.write_text("machine,time,Depth\n" + "".join(f"M1,2025-10-13 08:00:{s:02d},7.5\n" for s in range(20)))
    done = taretrace("map", path, "-w", workspace.root, "--ask")
    assert done.code == 0, done.err
    assert "Which time zone are they in?" in done.err
    assert "In which unit is 'Depth'" in done.err
    assert "Saved as" in done.err
    assert {line.count("\t") for line in done.out.splitlines()} == {done.out.splitlines()[0].count("\t")}
    assert len(list(workspace.mappings.iterdir())) == 1


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "fewer than two lines"),
        (b"\x00\x01\x02\x03", "NUL bytes"),
        (b"hello\nworld\n", "no separator"),
        (b"1,2\n3,4\n5,6\n", "column names"),
    ],
)
def test_a_file_without_a_table_is_refused_in_one_sentence(workspace, tmp_path, content, says):
    path = tmp_path / "x.csv"
    path.write_bytes(content)
    ran = taretrace("map", path, "-w", workspace.root)
    assert ran.code == 2
    assert says in ran.err
    assert "Traceback" not in ran.err
