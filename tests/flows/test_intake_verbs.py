"""map, check, status, rejected, explain: what a person sees of what comes in."""

import datetime as dt
import hashlib
import json
import shutil
import tomllib
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from flows import stages
from flows.runtime.progress import Reporter
from tests.support.program import taretrace_here as taretrace
from tests.support.task_data import Moment, Value, write_set
from tests.validation.seasons import Season, copy_of
from transforms.config.workspace import init_workspace
from transforms.storage.warehouse import Warehouse

QUIET = Reporter(quiet=True)


@pytest.fixture
def workspace(tmp_path):
    return init_workspace(tmp_path / "w")


def mapped(workspace, path: Path, *answers: str, code: int = 0) -> dict:
    """Map a file without anybody to ask; returns what was told."""
    words = [w for a in answers for w in ("--answer", a)]
    ran = taretrace("map", path, "-w", workspace.root, "--json", *words)
    assert ran.code == code, ran.err
    assert "Traceback" not in ran.err
    return json.loads(ran.out)


def saved(told: dict) -> dict:
    return tomllib.loads(Path(told["mapping"]).read_text())


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
    assert "'fast' is no number" in odd["questions"][0]["text"]
    told = mapped(workspace, path, *given, "cleaner_1_speed_rpm.full_scale=80")
    table = saved(told)
    assert (table["separator"], table["decimal"], table["header_line"], table["unit_row"]) == (";", ",", 3, True)
    columns = table["columns"]
    assert columns["share_depth_cm"] == {"from": ["Rodetiefe links", "Rodetiefe rechts"], "unit": "cm"}
    assert columns["cleaner_1_speed_rpm"] == {"from": "Siebstern 1", "unit": "pct", "full_scale": 80.0}
    assert columns["work_state"]["words"] == {"Roden": "working", "Vorgewende": "turning"}
    assert columns["logged_at"]["time_zone"] == "Europe/Berlin"
    first = told["rows"][0]
    assert len(told["rows"]) == 10
    assert (first["machine_id"], first["share_depth_cm"], first["cleaner_1_speed_rpm"]) == ("M07", 8.0, 40.0)
    assert first["logged_at"].startswith("2025-10-13 06:00:10")
    text = Path(told["mapping"]).read_text()
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
    told = mapped(workspace, path)
    assert saved(told)["columns"]["ground_speed_kmh"] == {"from": header, "unit": unit}
    assert told["rows"][0]["ground_speed_kmh"] == pytest.approx(metric, abs=0.01)


def test_a_unit_said_nowhere_is_asked_for_and_never_guessed(workspace, tmp_path):
    path = tmp_path / "tickets_2025.csv"
    path.write_text(
        "Ticket;Field;Factory;Weighed;Gross;Net\n"
        + "".join(f"{i};F1;north;2025-10-{i % 9 + 13} 08:00;27{i};24{i}\n" for i in range(10, 40))
    )
    asked = mapped(workspace, path, "time_zone=UTC", code=2)
    questions = {q["key"]: q for q in asked["questions"]}
    assert set(questions) == {"gross_t.unit", "net_t.unit"}
    assert questions["gross_t.unit"]["guess"] == ""
    assert "values from 2710 to 2739" in questions["gross_t.unit"]["text"]
    assert set(questions["gross_t.unit"]["choices"]) >= {"kg", "t", "lb", "short_ton"}
    assert not list(workspace.mappings.iterdir())
    wrong = mapped(workspace, path, "time_zone=UTC", "gross_t.unit=cm", "net_t.unit=kg", code=2)
    assert "'cm' cannot become t" in wrong["questions"][0]["text"]
    told = mapped(workspace, path, "time_zone=UTC", "gross_t.unit=lb", "net_t.unit=lb")
    assert told["rows"][0]["gross_t"] == pytest.approx(2710 * 0.00045359237)


def test_a_stated_unit_that_cannot_be_is_asked_about(workspace, tmp_path):
    path = tmp_path / "tickets.csv"
    path.write_text(
        "Ticket;Field;Factory;Weighed;Gross kg;Net kg\n"
        + "".join(f"{i};F1;n;2025-10-13 08:{i}:00;27.{i};24.{i}\n" for i in range(10, 40))
    )
    asked = mapped(workspace, path, "time_zone=UTC", code=2)
    assert "said to be in kg, but then" in {q["key"]: q for q in asked["questions"]}["gross_t.unit"]["text"]


def test_day_and_month_that_could_be_either_are_asked_about(workspace, tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(
        "machine,time,depth_cm\n"
        + "".join(f"M1,{d:02d}/{m:02d}/2025 08:00:00,7.5\n" for d in range(1, 9) for m in (10, 11))
    )
    asked = mapped(workspace, path, "time_zone=UTC", code=2)
    (question,) = asked["questions"]
    assert question["key"] == "logged_at.format"
    assert {"%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"} <= set(question["choices"])
    told = mapped(workspace, path, "time_zone=UTC", "logged_at.format=%m/%d/%Y %H:%M:%S")
    assert told["rows"][0]["logged_at"].startswith("2025-01-10")


def test_three_digits_after_the_mark_could_be_thousands(workspace, tmp_path):
    path = tmp_path / "tickets.csv"
    path.write_text(
        "Ticket;Field;Factory;Weighed;Gross kg;Net kg\n"
        + "".join(f"T{i};F1;n;2025-10-13 08:{i}:00;27.{i}0;24.{i}0\n" for i in range(10, 40))
    )
    asked = mapped(workspace, path, "time_zone=UTC", code=2)
    assert "decimal" in {q["key"] for q in asked["questions"]}
    told = mapped(workspace, path, "time_zone=UTC", "decimal=,")
    assert told["rows"][0]["gross_t"] == pytest.approx(27.1)


def test_steps_of_a_machine_and_a_setting_of_the_workspaces_own(workspace, tmp_path):
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
    told = mapped(workspace, path, "share_depth_cm.unit=steps 1=4.0, 9=10.0", "fan_speed_rpm.unit=rpm")
    assert saved(told)["columns"]["share_depth_cm"]["steps"] == {"1": 4.0, "9": 10.0}
    assert [r["share_depth_cm"] for r in told["rows"][:3]] == [4.0, 4.75, 5.5]
    assert told["rows"][0]["fan_speed_rpm"] == 900.0


def test_an_encoding_that_bytes_alone_do_not_tell_is_asked_for(workspace, tmp_path):
    path = tmp_path / "fields.csv"
    columns = "Schlag;Anbauer;Station;Breite;Länge;Fläche ha;Sand %;Ton %;Humus %;Ertrag t/ha;Reihenabstand cm"
    path.write_bytes((columns + "\n" + "Žďár;G1;S1;50.1;15.2;12;30;20;2;75;50\n" * 3).encode("cp1250"))
    asked = mapped(workspace, path, code=2)
    assert asked["questions"][0]["key"] == "encoding"
    assert "cp1250: " in asked["questions"][0]["text"]
    assert "Žďár" in asked["questions"][0]["text"]


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
    told = mapped(workspace, path, "dirt_tare_pct=Tare Soil %", "top_tare_pct=Tare Crown %")
    table = saved(told)
    assert (table["sheet"], table["header_rows"]) == ("Results", 2)
    assert told["rejected"] == 0
    assert told["rows"][0]["dirt_tare_pct"] == 6.7


def test_task_data_is_mapped_by_itself_and_says_what_else_it_holds(workspace, tmp_path):
    values = [Value(397, designator="Speed"), Value(0xE001, designator="Cleaner front", scale=(0, 0.1, "1/min"))]
    folder = write_set(tmp_path / "TASK01", [Moment(dt.datetime(2025, 10, 1, 8), {}, {0: 1000, 1: 450})], values)  # noqa: DTZ001
    told = mapped(workspace, folder)
    assert saved(told)["form"] == "iso11783"
    assert "ddi 57345 | machine (Cleaner front)" in Path(told["mapping"]).read_text()
    assert told["rows"][0]["ground_speed_kmh"] == pytest.approx(3.6)


@pytest.mark.parametrize(
    "name",
    [
        "log_one_M01_w1.csv",
        "log_two_M04_w1.csv",
        "tickets_north.csv",
        "tares.xlsx",
        "loss_audits.xlsx",
        "machines.csv",
        "fields.csv",
        "weather_station-north.csv",
    ],
)
def test_every_export_of_the_demo_is_mapped_as_its_own_mapping_reads_it(season: Season, tmp_path, name, catalogue):
    from transforms.ingest.ingest_file import find_mapping  # noqa: PLC0415
    from transforms.ingest.mapping import read_mapping, read_mappings  # noqa: PLC0415
    from transforms.ingest.preview import first_rows  # noqa: PLC0415

    source = season.workspace.inbox / name
    if not source.exists():
        source = next(season.workspace.inbox.glob(name[:7] + "*"))
    new = init_workspace(tmp_path / "w")
    told = mapped(
        new,
        source,
        f"time_zone={season.workspace.season.time_zone}",
        "machine_id=" + ("name" if "one" in name else "machine"),
    )
    ours = read_mapping(Path(told["mapping"]), catalogue)
    theirs = find_mapping(name, read_mappings(season.workspace.mappings, catalogue))
    one, two = (first_rows(source, m, catalogue, 50)[0] for m in (ours, theirs))
    shared = [c for c in two.columns if two[c].count()]
    assert one.select(shared).equals(two.select(shared))


def test_a_person_is_asked_one_thing_after_the_other(workspace, tmp_path):
    import subprocess  # noqa: PLC0415

    from tests.support.program import PROGRAM  # noqa: PLC0415

    path = tmp_path / "log.csv"
    path.write_text("machine,time,Depth\n" + "".join(f"M1,2025-10-13 08:00:{s:02d},7.5\n" for s in range(20)))
    words = [*PROGRAM, "map", str(path), "-w", str(workspace.root), "--ask"]
    done = subprocess.run(words, input="Europe/Prague\ncm\n", capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Which clock were they read off?" in done.stdout
    assert "In which unit is 'Depth'" in done.stdout
    assert "Saved as" in done.stdout
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
def test_what_is_no_table_is_said_in_a_sentence(workspace, tmp_path, content, says):
    path = tmp_path / "x.csv"
    path.write_bytes(content)
    ran = taretrace("map", path, "-w", workspace.root)
    assert ran.code == 2
    assert says in ran.err
    assert "Traceback" not in ran.err


def _fingerprint(folder: Path) -> dict[str, str]:
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_check_tells_what_would_become_of_new_files_and_writes_nothing(season: Season, tmp_path):
    workspace = copy_of(season, tmp_path / "season")
    tickets = (workspace.inbox / "tickets_north.csv").read_text().splitlines(keepends=True)
    (workspace.inbox / "tickets_new.csv").write_text(
        "".join([tickets[0], tickets[1].replace(";", "x;", 1), tickets[2], "rubbish\n"])
    )
    log = next(workspace.inbox.glob("log_two*"))
    (workspace.inbox / f"{log.stem}_again.csv").write_text(log.read_text() + "\n")
    before = _fingerprint(workspace.root)
    ran = taretrace("check", workspace.root, "--json", "--strict")
    assert ran.code == 1, ran.err
    told = {row["file"]: row for row in json.loads(ran.out)["files"]}
    row = told["tickets_new.csv"]
    assert (row["rows_in"], row["rows_accepted"], row["rows_rejected"], row["rows_repeated"]) == (3, 1, 1, 1)
    again = told[f"{log.stem}_again.csv"]
    assert again["rows_accepted"] == 0
    assert again["rows_repeated"] > 1000
    assert _fingerprint(workspace.root) == before
    shown = taretrace("check", workspace.root)
    assert shown.code == 0
    assert "nothing was written" in shown.out
    received = {r.file: r for r in stages.receive_files(workspace, QUIET)}
    for name, row in told.items():
        assert (row["rows_accepted"], row["rows_rejected"], row["rows_repeated"]) == (
            received[name].rows_accepted,
            received[name].rows_rejected,
            received[name].rows_repeated,
        )


def test_check_of_a_workspace_that_has_taken_nothing_leaves_no_trace(workspace):
    (workspace.mappings / "f.toml").write_text(
        'kind = "field_boundary"\nfiles = ["*.csv"]\n[columns.field_id]\nfrom = "id"\n[columns.boundary]\nfrom = "b"\n'
    )
    (workspace.inbox / "a.csv").write_text("id,b\nF1,x\n")
    assert taretrace("check", workspace.root).code == 0
    assert sorted(p.name for p in workspace.root.iterdir()) == ["inbox", "lake", "mappings", "out", "season.toml"]


def test_status_says_how_far_behind_each_source_is(season: Season):
    told = json.loads(taretrace("status", season.workspace.root, "--json").out)
    sources = {row["mapping"]: row for row in told["sources"]}
    newest = dt.datetime.fromisoformat(sources["tickets"]["newest_row_at"])
    now = dt.datetime.now(dt.UTC)
    assert sources["tickets"]["lag_h"] == pytest.approx(
        (now - newest.astimezone(dt.UTC)).total_seconds() / 3600, abs=0.2
    )
    assert sources["tickets"]["files"] == 3
    assert sources["tares"]["lag_h"] >= sources["tickets"]["lag_h"]
    assert sources["fields"]["lag_h"] is None  # a list has no time
    assert set(sources) >= {"log_one", "log_two", "tares", "weather", "fields"}


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_rejected_rows_are_mended_in_a_file_and_sent_in_again(season: Season, tmp_path, kind):
    workspace = copy_of(season, tmp_path / "season")
    ran = taretrace("rejected", workspace.root, "--json", "--file", "tickets_north" if kind == "csv" else "tares")
    assert ran.code == 0, ran.err
    told = json.loads(ran.out)
    (path,) = [Path(p) for p in told["files"]]
    assert path.name == ("mended~tickets_north.csv" if kind == "csv" else "mended~tares.xlsx")
    with Warehouse(workspace.warehouse) as warehouse:
        before = warehouse.table("load" if kind == "csv" else "tare").height
    if kind == "csv":
        text = path.read_text()
        assert "why rejected" in text.splitlines()[0]
        assert "not a time of the form" in text
        path.write_text(text.replace("31.02.2026 25:00", "03.10.2025 08:00").replace(";0;0;", ";27000;23000;"))
    else:
        rows = pl.read_excel(path, sheet_name="Results", infer_schema_length=0)
        assert rows["why rejected"].to_list() == ["dirt_tare_pct is above 70"]
        rows.with_columns(pl.lit("12.5").alias("Dirt %")).write_excel(path, worksheet="Results")
    shutil.copy(path, workspace.inbox)
    (received,) = stages.receive_files(workspace, QUIET)
    assert received.rows_rejected == 0
    with Warehouse(workspace.warehouse) as warehouse:
        after = warehouse.table("load" if kind == "csv" else "tare").height
    assert after - before == received.rows_accepted == (2 if kind == "csv" else 1)


def test_explain_walks_from_a_load_to_the_lines_of_its_files(season: Season):
    workspace = season.workspace
    with Warehouse(workspace.warehouse) as warehouse:
        traced = warehouse.table("load_trace").filter(pl.col("machine_id").is_not_null())
        lab = warehouse.table("received_tare")["load_id"].to_list()
        load_id = (
            traced.filter(pl.col("load_id").is_in(lab)).group_by("load_id").len().sort("len", "load_id")["load_id"][-1]
        )
    ran = taretrace("explain", "load", load_id, "-w", workspace.root, "--json")
    assert ran.code == 0, ran.err
    told = json.loads(ran.out)
    ticket = told["tickets"][0]
    line = (workspace.inbox / ticket["file"]).read_text().splitlines()[ticket["line"] - 1]
    assert line.startswith(f"{load_id};")
    assert told["labs"][0]["file"] == "tares.xlsx"
    cells = pl.read_excel(workspace.inbox / "tares.xlsx", sheet_name="Results", has_header=False, infer_schema_length=0)
    assert load_id in cells.row(told["labs"][0]["line"] - 1)
    minutes = [m for m in told["minutes"] if m["file"]]
    assert sum({(m["machine_id"], m["from_at"]): m["share"] for m in told["minutes"]}.values()) == pytest.approx(1)
    for minute in minutes[:3]:
        lines = (workspace.inbox / minute["file"]).read_text().splitlines()
        assert minute["records"] <= minute["last_line"] - minute["first_line"] + 1
        zone = dt.timedelta(hours=2) if "log_one" in minute["file"] else dt.timedelta(0)
        first = dt.datetime.fromisoformat(minute["from_at"]).replace(tzinfo=None) + zone
        logged = lines[minute["first_line"] - 1]
        assert f"{first:%H:%M}" in logged, (logged, minute)


def test_explain_of_a_load_nobody_weighed(season: Season):
    ran = taretrace("explain", "load", "no such load", "-w", season.workspace.root)
    assert ran.code == 2
    assert "no weigh ticket names load 'no such load'" in ran.err
