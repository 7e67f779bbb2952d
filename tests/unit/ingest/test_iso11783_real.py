"""Task data as machines write it: zones, clocks that are wrong, logs that share instants, and files without bounds."""

import datetime as dt
import struct
from dataclasses import replace
from pathlib import Path

import pytest

from tests.support.taking import take
from tests.support.task_data import Moment, Value, device, log_header, record, task, task_data, write_set
from transforms.config.settings_catalogue import load_catalogue
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.readers.iso11783 import join, log_reader, time_log, xml
from transforms.ingest.readers.iso11783.container import open_container
from transforms.ingest.readers.iso11783.source import value_names
from transforms.ingest.readers.iso11783.task_data import read_task_data

START = dt.datetime(2025, 10, 1, 8, 0)  # noqa: DTZ001
EPOCH = dt.datetime(1980, 1, 1)  # noqa: DTZ001
SPEED, DEPTH = Value(397, designator="Speed"), Value(52, designator="Depth")
PLACE = {"A": 500_000_000, "B": 150_000_000, "D": 1}
HOUR = dt.timedelta(hours=1)


def reading(catalogue, zone: str | None = "Europe/Prague", **columns):
    table = {"kind": "telemetry", "files": ["*"], "form": "iso11783", "columns": columns}
    return parse_mapping(table | ({"time_zone": zone} if zone else {}), "task_data", catalogue, "test")


def put(folder: Path, inner: str, logs: dict[str, tuple[list[Value], list[Moment]]], letters: str = "ABD") -> Path:
    """Write a folder of several logs."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "TASKDATA.XML").write_text(task_data(inner), "utf-8")
    for stem, (values, moments) in logs.items():
        (folder / f"{stem}.XML").write_text(log_header(values, letters), "utf-8")
        (folder / f"{stem}.BIN").write_bytes(b"".join(record(m, letters) for m in moments))
    return folder


def seconds(
    n: int, values: dict[int, int] | None = None, begin: int = 0, position: dict[str, int] | None = None
) -> list[Moment]:
    """A record a second, each with the same values."""
    return [Moment(START + dt.timedelta(seconds=begin + i), position or PLACE, values or {}) for i in range(n)]


def beside_satellites(n: int, local_minus_utc: dt.timedelta, drift_s: float = 0) -> list[Moment]:
    """Records with satellite time beside the local time; `drift_s` more of it a record."""
    out: list[Moment] = []
    for m in seconds(n):
        utc = m.at - local_minus_utc - EPOCH - dt.timedelta(seconds=drift_s * len(out))
        out.append(Moment(m.at, {**PLACE, "H": utc.seconds * 1000 + utc.microseconds // 1000, "I": utc.days}))
    return out


# --- clocks -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "hour"),
    [
        ('A="2025-10-01T08:00:00+05:30"', 2.5),  # the zone is stated
        ('A="2025-10-01T03:00:00+05:30"', 2.5),  # and counts, however long before the log its task began
        ('A="2025-10-01T08:00:00" B="2025-10-01T09:00:00+03:00"', 5),
        ('A="2025-10-01T06:01:30Z"', 6),
        ('A="2025-10-01T05:00:30Z"', 5),
        ('A="2025-10-01T02:22:30Z"', 6),  # 5 h 37.5 min is no zone: the mapping's counts
        ('A="0001-01-01T00:00:00+05:00"', 6),
        ('A="9999-12-31T23:00:00-05:00"', 6),
        ('A="1000000-01-01T00:00:00Z"', 6),
    ],
)
def test_the_zone_that_a_task_states_or_shows(tmp_path, catalogue, entry, hour):
    inner = device([SPEED]) + f'<TSK A="TSK1"><TIM {entry} D="4"/><TLG A="TLG00001" C="1"/></TSK>'
    out = take(put(tmp_path / "t", inner, {"TLG00001": ([SPEED], seconds(3))}), reading(catalogue), catalogue)
    assert out.accepted["logged_at"][0] == dt.datetime(2025, 10, 1, tzinfo=dt.UTC) + hour * HOUR


def test_a_task_whose_other_entry_states_the_zone(tmp_path, catalogue):
    entries = '<TIM A="2025-10-01T08:00:00"/><TLG A="TLG00001"/><TIM A="2025-10-01T12:00:00+05:00"/>'
    folder = put(tmp_path / "t", device([SPEED]) + f"<TSK>{entries}</TSK>", {"TLG00001": ([SPEED], seconds(3))})
    assert take(folder, reading(catalogue), catalogue).accepted["logged_at"][0].hour == 3


def test_the_satellite_time_at_which_a_task_entry_began(tmp_path, catalogue):
    days = (START - EPOCH).days
    entry = f'<TIM A="2025-10-01T08:00:00"><PTN A="50" B="15" D="1" H="{4 * 3_600_000}" I="{days}"/></TIM>'
    inner = device([SPEED]) + f'<TSK>{entry}<TLG A="TLG00001"/></TSK>'
    out = take(put(tmp_path / "t", inner, {"TLG00001": ([SPEED], seconds(3))}), reading(catalogue), catalogue)
    assert out.accepted["logged_at"][0].hour == 4


def test_an_offset_that_no_zone_has_is_asked_about_with_what_was_found(tmp_path, catalogue):
    inner = device([SPEED]) + task(["TLG00001"], "2025-10-01T02:22:30Z")
    folder = put(tmp_path / "t", inner, {"TLG00001": ([SPEED], seconds(3))})
    out = take(folder, reading(catalogue, zone=None), catalogue)
    assert out.rejected["rule"].to_list() == ["zone_unknown"]
    ((code, args),) = out.reasons
    assert (code, args["why"]) == ("zone_contradictory", {"code": "task_start_differs", "args": {"minutes": 337.5}})


@pytest.mark.parametrize(
    ("records", "offset", "drift_s", "offset_found"),
    [
        (90, 2 * HOUR, 0, 2 * HOUR),
        (1, 3 * HOUR, 0, 3 * HOUR),
        (90, HOUR / 2 + dt.timedelta(seconds=90), 0, HOUR / 2),
        (90, dt.timedelta(minutes=-34), 0, dt.timedelta(minutes=-34)),  # a wrong clock, soundly shown
        (40, dt.timedelta(minutes=-34), 0, 2 * HOUR),  # too few records
        (90, dt.timedelta(minutes=-34), 5, 2 * HOUR),  # not constant
        (90, 5 * HOUR, 60, 2 * HOUR),  # its median is near a zone by accident
    ],
)
def test_satellite_time_over_the_whole_log(tmp_path, catalogue, records, offset, drift_s, offset_found):
    folder = write_set(tmp_path / "t", beside_satellites(records, offset, drift_s), [SPEED], "ABDHI")
    out = take(folder, reading(catalogue), catalogue)
    assert out.accepted["logged_at"][0] == (START - offset_found).replace(tzinfo=dt.UTC)


def test_the_median_is_of_the_log_and_not_of_its_beginning(tmp_path, catalogue, monkeypatch):
    monkeypatch.setattr(time_log, "CHUNK_BYTES", 600)
    odd, right = beside_satellites(20, 5 * HOUR), beside_satellites(200, 2 * HOUR)[20:]
    out = take(write_set(tmp_path / "t", [*odd, *right], [SPEED], "ABDHI"), reading(catalogue), catalogue)
    assert out.accepted["logged_at"][0].hour == 6


def test_a_log_through_the_night_the_clocks_change_follows_satellite_time(tmp_path, catalogue):
    begin = dt.datetime(2025, 10, 26, 0, 30, tzinfo=dt.UTC)
    true = [begin + dt.timedelta(minutes=m) for m in range(120)]
    shown = [t + (2 if t < begin.replace(hour=1, minute=0) else 1) * HOUR for t in true]
    log = []
    for utc, local in zip(true, shown, strict=True):
        since = utc.replace(tzinfo=None) - EPOCH
        log.append(Moment(local.replace(tzinfo=None), {**PLACE, "H": since.seconds * 1000, "I": since.days}))
    out = take(write_set(tmp_path / "t", log, [SPEED], "ABDHI"), reading(catalogue), catalogue)
    assert out.accepted["logged_at"].to_list() == true
    without = take(write_set(tmp_path / "u", log, [SPEED], "ABD"), reading(catalogue), catalogue)
    assert without.accepted["logged_at"].to_list() == true  # by the order of the rows


def test_instants_of_an_hour_that_clocks_skip_are_each_rejected(tmp_path, catalogue):
    skipped = [Moment(dt.datetime(2026, 3, 29, 2, m), PLACE) for m in range(5)]  # noqa: DTZ001
    out = take(write_set(tmp_path / "t", skipped, [SPEED]), reading(catalogue), catalogue)
    assert (out.received.rows_rejected, out.received.rows_repeated) == (5, 0)


# --- logs of one device -----------------------------------------------------------------------------------------------

TWO = device([SPEED, DEPTH]) + task(["TLG00001", "TLG00002"])


def test_values_of_one_instant_in_several_logs_become_one_row(tmp_path, catalogue):
    logs = {"TLG00001": ([SPEED], seconds(60, {0: 1000})), "TLG00002": ([DEPTH], seconds(60, {0: 80}, begin=20))}
    out = take(put(tmp_path / "t", TWO, logs), reading(catalogue), catalogue)
    rows = out.accepted
    assert (rows.height, out.received.rows_repeated, out.received.rows_rejected) == (80, 40, 0)
    assert rows["ground_speed_kmh"].to_list() == [pytest.approx(3.6)] * 60 + [None] * 20
    assert rows["share_depth_cm"].to_list() == [None] * 20 + [8.0] * 60
    assert rows.group_by("part").len().sort("part")["len"].to_list() == [60, 20]


def test_logs_are_joined_across_stretches(tmp_path, catalogue, monkeypatch):
    monkeypatch.setattr(time_log, "CHUNK_BYTES", 700)
    logs = {"TLG00001": ([SPEED], seconds(200, {0: 1000})), "TLG00002": ([DEPTH], seconds(200, {0: 80}))}
    out = take(put(tmp_path / "t", TWO, logs), reading(catalogue), catalogue)
    assert out.accepted.select("ground_speed_kmh", "share_depth_cm").null_count().row(0) == (0, 0)
    assert (out.accepted.height, out.received.rows_repeated) == (200, 200)


def test_a_value_reported_goes_before_one_carried_on_and_two_that_differ_are_told(tmp_path, catalogue):
    both = [SPEED, DEPTH]
    one = [replace(m, values={0: 1000, 1: 60} if i == 0 else {}) for i, m in enumerate(seconds(4))]
    other = [replace(m, values={1: [60, 70, 80, 90][i]}) for i, m in enumerate(seconds(4))]
    one[3].values = {1: 50}
    out = take(
        put(tmp_path / "t", TWO, {"TLG00001": (both, one), "TLG00002": (both, other)}), reading(catalogue), catalogue
    )
    assert out.accepted["share_depth_cm"].to_list() == [6.0, 7.0, 8.0, 5.0]
    assert out.rejected.select("part", "line", "column", "rule").rows() == [("TLG00002", 4, "ddi 52", "logs_differ")]


def test_two_copies_of_a_log_are_one(tmp_path, catalogue):
    log = ([SPEED], seconds(50, {0: 1000}))
    out = take(put(tmp_path / "t", TWO, {"TLG00001": log, "TLG00002": log}), reading(catalogue), catalogue)
    assert (out.accepted.height, out.received.rows_repeated, out.received.rows_rejected) == (50, 50, 0)


def test_a_log_that_goes_back_in_time_delays_no_other_and_costs_no_row(tmp_path, catalogue, monkeypatch):
    monkeypatch.setattr(join, "MAX_WAITING_ROWS", 30)
    monkeypatch.setattr(time_log, "CHUNK_BYTES", 500)
    odd = [*seconds(30, {0: 1000}, begin=600), *seconds(100, {0: 1000})]
    logs = {"TLG00001": ([SPEED], odd), "TLG00002": ([DEPTH], seconds(100, {0: 80}))}
    out = take(put(tmp_path / "t", TWO, logs), reading(catalogue), catalogue)
    assert out.received.rows_in == 230
    assert out.accepted["logged_at"].n_unique() == 130


def test_logs_in_different_units_are_not_mixed(tmp_path, catalogue):
    cm, mm = (
        Value(0xE001, "DET-1", designator="Deep", scale=(0, 1, "cm")),
        Value(0xE002, "DET-1", designator="Deep", scale=(0, 1, "mm")),
    )
    logs = {"TLG00001": ([cm], seconds(3, {0: 8})), "TLG00002": ([mm], seconds(3, {0: 80}, begin=3))}
    inner = device([cm, mm]) + task(list(logs))
    out = take(put(tmp_path / "t", inner, logs), reading(catalogue, share_depth_cm={"from": "Deep"}), catalogue)
    assert out.accepted["share_depth_cm"].to_list() == [8.0] * 6


# --- settings of the workspace ----------------------------------------------------------------------------------------


def test_a_setting_that_a_workspace_changes_decides_between_two_scales(tmp_path, catalogue):
    wrong = Value(52, designator="Depth", scale=(0, 0.01, "mm"))  # 80 is 0.08 cm by the device, 8 cm by the dictionary
    folder = write_set(tmp_path / "t", seconds(2, {0: 80}), [wrong])
    shallow = catalogue | {"share_depth_cm": replace(catalogue["share_depth_cm"], low=0.0, high=1.0)}
    depths = [take(folder, reading(c), c).accepted["share_depth_cm"][0] for c in (catalogue, shallow)]
    assert depths == [8.0, pytest.approx(0.08)]


# --- bounds -----------------------------------------------------------------------------------------------------------


def rules(folder: Path, catalogue) -> list[str]:
    return take(folder, reading(catalogue), catalogue).rejected["rule"].to_list()


@pytest.mark.parametrize(("length", "rule"), [(300_000, "xml_too_large"), (60_000, "too_long"), (401, "too_long")])
def test_a_device_name_without_end(tmp_path, catalogue, length, rule):
    inner = device([SPEED], "x" * length) + task(["TLG00001"])
    folder = put(tmp_path / "t", inner, {"TLG00001": ([SPEED], seconds(3))})
    assert rules(folder, catalogue) == [rule]


@pytest.mark.parametrize(
    "inner",
    [
        "<A>" * 200 + "</A>" * 200,
        "<A " + " ".join(f'a{i}="1"' for i in range(200)) + "/>",
        "<!-- " + "x" * 70_000 + " -->",
    ],
    ids=["depth", "attributes", "text"],
)
def test_xml_that_no_machine_writes(tmp_path, catalogue, inner):
    assert rules(put(tmp_path / "t", inner, {}), catalogue) == ["xml_too_large"]


def test_the_number_of_elements_is_bounded(tmp_path, catalogue, monkeypatch):
    monkeypatch.setattr(xml, "MAX_ELEMENTS", 1000)
    assert rules(put(tmp_path / "t", "<A/>" * 1000, {}), catalogue) == ["xml_too_large"]
    monkeypatch.setattr(xml, "MAX_KEPT", 100)
    assert rules(put(tmp_path / "u", "<TSK/>" * 100, {}), catalogue) == ["xml_too_large"]


def test_a_log_that_every_task_names_is_read_once(tmp_path, catalogue, monkeypatch):
    opened = []
    begin = log_reader.LogReader.begin

    def begin_and_record(reader: log_reader.LogReader):
        opened.append(reader.part)
        return begin(reader)

    monkeypatch.setattr(log_reader.LogReader, "begin", begin_and_record)
    inner = device([SPEED]) + task(["TLG00001"]) * 3_000
    out = take(put(tmp_path / "t", inner, {"TLG00001": ([SPEED], seconds(3))}), reading(catalogue), catalogue)
    assert (out.accepted.height, out.received.rows_in, opened) == (3, 3, ["TLG00001"])


def test_files_that_refer_to_themselves_and_each_other_are_read_once(tmp_path):
    folder = put(tmp_path / "t", '<XFR A="TASKDATA"/><XFR A="A"/>' * 400, {})
    (folder / "A.XML").write_text('<XFC><XFR A="A"/><XFR A="B"/></XFC>')
    (folder / "B.XML").write_text(f'<XFC><XFR A="A"/><XFR A="TASKDATA"/>{device([SPEED])}</XFC>')
    found = read_task_data(open_container(folder), "TASKDATA.XML")
    assert [d.name for d in found.devices] == ["Harvester 7"]


def test_the_values_of_a_header_are_bounded(tmp_path, catalogue):
    folder = put(tmp_path / "t", device([SPEED]) + task(["TLG00001"]), {"TLG00001": ([SPEED] * 257, seconds(3))})
    assert rules(folder, catalogue) == ["too_many_values"]
    many = put(tmp_path / "u", device([SPEED]) + task(["TLG00001"]), {"TLG00001": ([SPEED] * 10_000, seconds(3))})
    assert rules(many, catalogue) == ["too_many_values"]


def test_a_value_number_without_end_is_none(tmp_path):
    folder = put(tmp_path / "t", device([SPEED]) + task(["TLG00001"]), {"TLG00001": ([SPEED], [])})
    (folder / "TLG00001.XML").write_text(f'<TIM><PTN A=""/><DLV A="{"F" * 9_000}" B=""/></TIM>')
    assert value_names(folder) == ["ddi -1 | "]


def test_a_constant_that_is_no_number_is_null(tmp_path, catalogue):
    header = '<TIM><PTN A="" B="" D=""/><DLV A="008D" B="1e999"/><DLV A="00A1" B="nan"/><DLV A="018D" B="x"/></TIM>'
    folder = put(tmp_path / "t", device([SPEED]) + task(["TLG00001"]), {"TLG00001": ([SPEED], seconds(3))})
    (folder / "TLG00001.XML").write_text(header)
    out = take(folder, reading(catalogue), catalogue).accepted
    assert out.select("work_state", "sections_on_pct", "ground_speed_kmh").unique().rows() == [(None, None, None)]


def test_a_log_whose_date_jumps_in_every_record_is_cut_off(tmp_path, catalogue):
    body = b"".join(struct.pack("<IHB", 1000, 10_000 + 2 * (i // 2), 0) for i in range(20_000))
    folder = put(tmp_path / "t", device([SPEED]) + task(["TLG00001"]), {"TLG00001": ([SPEED], [])}, "")
    (folder / "TLG00001.BIN").write_bytes(body)
    out = take(folder, reading(catalogue), catalogue)
    assert out.rejected["rule"].to_list() == ["too_many_days"]
    assert out.received.rows_in < 2 * time_log.MAX_DAYS + 10


def test_memory_follows_the_rows_at_a_time(tmp_path, catalogue, monkeypatch):
    monkeypatch.setattr(time_log, "MAX_CELLS", 40)
    folder = write_set(tmp_path / "t", seconds(50, {0: 1000}), [SPEED])
    data = (folder / "TLG00001.BIN").read_bytes()
    middle = 23 * len(data) // 50
    (folder / "TLG00001.BIN").write_bytes(data[:middle] + b"\xff" * 9 + data[middle:])
    out = take(folder, reading(catalogue), catalogue)
    assert out.accepted["line"].to_list() == list(range(1, 51))
    assert out.rejected.select("rule", "line").rows() == [("stray_bytes", 23)]


def test_a_setting_that_a_workspace_adds_is_read_and_decides_between_two_scales(tmp_path):
    row = {"stage": "lifting", "label": "web height", "unit": "cm", "step": 0.5, "responses": ["dirt_tare_pct"]}
    wrong = Value(52, designator="Depth", scale=(0, 0.01, "mm"))  # 80 is 0.08 cm by the device, 8 cm by the dictionary
    folder = write_set(tmp_path / "t", seconds(2, {0: 80}), [wrong])
    read = []
    for low, high in ((2, 15), (0, 1)):
        own = load_catalogue({"web_height_cm": {**row, "low": low, "high": high, "up": "higher", "down": "lower"}})
        found = take(folder, reading(own, web_height_cm={"from": "ddi 52"}), own)
        read.append(found.accepted["web_height_cm"][0])
    assert read == [8.0, pytest.approx(0.08)]
