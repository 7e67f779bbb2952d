"""Task data written by an encoder made from the standard: every record and value comes back, strays are reported."""

import datetime as dt

import numpy as np
import polars as pl
import pytest
from defusedxml.ElementTree import fromstring

from tests.support.taking import take
from tests.support.task_data import Moment, Value, device, log_header, record, task, task_data, write_set, zipped
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.readers.iso11783.log_header import layout_of
from transforms.ingest.readers.iso11783.time_log import read_records

START = dt.datetime(2025, 10, 1, 8, 0)  # noqa: DTZ001
SPEED, DEPTH = Value(397, designator="Speed"), Value(52, designator="Depth")
PLACE = {"A": 500_000_000, "B": 150_000_000, "D": 1}


@pytest.fixture
def mapping(catalogue):
    return reading(catalogue)


def reading(catalogue, **columns):
    table = {"kind": "telemetry", "files": ["*"], "form": "iso11783", "time_zone": "Europe/Prague", "columns": columns}
    return parse_mapping(table, "task_data", catalogue, "test")


def moments(n: int, **values: int) -> list[Moment]:
    """A record a second; the values are reported in the first only."""
    first = {int(k[1:]): v for k, v in values.items()}
    return [Moment(START + dt.timedelta(seconds=i), PLACE, first if i == 0 else {}) for i in range(n)]


def test_values_are_scaled_carried_forward_and_timed(tmp_path, mapping, catalogue):
    records = moments(4)
    records[1].values = {0: 1500, 1: 80}
    records[3].values = {0: 2000}
    out = take(write_set(tmp_path / "t", records, [SPEED, DEPTH]), mapping, catalogue).accepted
    assert out["logged_at"][0] == dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)  # summer time in Prague
    assert out["ground_speed_kmh"].to_list() == [None, pytest.approx(5.4), pytest.approx(5.4), pytest.approx(7.2)]
    assert out["share_depth_cm"].to_list() == [None, 8.0, 8.0, 8.0]  # nothing is invented before the first value
    assert out["lat_deg"].to_list() == [50.0] * 4
    assert out["machine_id"].to_list() == ["Harvester 7"] * 4
    assert out["line"].to_list() == [1, 2, 3, 4]


def test_carrying_forward_stops_at_the_log(tmp_path, mapping, catalogue):
    folder = write_set(tmp_path / "t", moments(2, v0=1000), [SPEED])
    inner = device([SPEED]) + task(["TLG00001", "TLG00002"])
    (folder / "TASKDATA.XML").write_text(task_data(inner))
    (folder / "TLG00002.XML").write_text(log_header([SPEED], "ABD"))
    later = [Moment(START + dt.timedelta(minutes=5), PLACE, {})]
    (folder / "TLG00002.BIN").write_bytes(b"".join(record(m, "ABD") for m in later))
    out = take(folder, mapping, catalogue)
    assert out.accepted["ground_speed_kmh"].to_list() == [pytest.approx(3.6), pytest.approx(3.6), None]
    assert set(out.accepted["part"]) == {"TLG00001", "TLG00002"}


def test_a_constant_in_the_header_is_in_no_record(tmp_path, mapping, catalogue):
    values = [SPEED, Value(52, constant=70)]
    out = take(write_set(tmp_path / "t", moments(3, v0=1000), values), mapping, catalogue).accepted
    assert out["share_depth_cm"].to_list() == [7.0] * 3


@pytest.mark.parametrize("where", [0, 1, 3, 6])
@pytest.mark.parametrize("stray", [b"\xff", b"\x00" * 13, bytes(range(200))])
def test_stray_bytes_are_skipped_and_told_and_every_record_comes_back(tmp_path, mapping, catalogue, where, stray):
    records = [record(m, "ABD") for m in moments(6, v0=1000)]
    folder = write_set(tmp_path / "t", [], [SPEED])
    (folder / "TLG00001.BIN").write_bytes(b"".join(records[:where]) + stray + b"".join(records[where:]))
    out = take(folder, mapping, catalogue)
    assert out.accepted.height == 6
    assert out.rejected.select("rule", "line").rows() == [("stray_bytes", where)]
    place = {"skipped_bytes": len(stray), "offset": sum(map(len, records[:where]))}
    assert out.reasons == [("stray_bytes", place)]
    assert out.rejected["raw"][0].replace(" ", "") == stray[:32].hex()


def test_a_cut_tail_costs_one_record(tmp_path, mapping, catalogue):
    folder = write_set(tmp_path / "t", moments(5, v0=1000), [SPEED])
    whole = (folder / "TLG00001.BIN").read_bytes()
    (folder / "TLG00001.BIN").write_bytes(whole[:-4])
    out = take(folder, mapping, catalogue)
    assert (out.accepted.height, out.received.rows_rejected) == (4, 1)


def test_nonsense_alone_gives_no_record(tmp_path, mapping, catalogue):
    folder = write_set(tmp_path / "t", [], [SPEED])
    (folder / "TLG00001.BIN").write_bytes(np.random.default_rng(3).bytes(200_000))
    out = take(folder, mapping, catalogue)
    assert (out.accepted.height, out.rejected["rule"].to_list()) == (0, ["stray_bytes"])


def test_an_empty_log_has_no_rows(tmp_path, mapping, catalogue):
    out = take(write_set(tmp_path / "t", [], [SPEED]), mapping, catalogue)
    assert (out.received.rows_in, out.accepted.height) == (0, 0)


def test_records_of_one_instant_are_merged_and_counted(tmp_path, mapping, catalogue):
    same = [
        Moment(START, PLACE, {0: 1000}),
        Moment(START, PLACE, {1: 60}),
        Moment(START + dt.timedelta(seconds=1), PLACE),
    ]
    out = take(write_set(tmp_path / "t", same, [SPEED, DEPTH]), mapping, catalogue)
    assert out.received.rows_repeated == 1
    assert out.accepted.select("ground_speed_kmh", "share_depth_cm").row(0) == (pytest.approx(3.6), 6.0)


def test_a_log_over_midnight_and_after_a_pause_of_days(tmp_path, mapping, catalogue):
    at = [START + dt.timedelta(hours=h) for h in (0, 15.9, 16.1, 40, 150, 150.5)]
    records = [Moment(a + dt.timedelta(seconds=s), PLACE) for a in at for s in range(300)]
    out = take(write_set(tmp_path / "t", records, [SPEED]), mapping, catalogue)
    assert (out.accepted.height, out.received.rows_rejected) == (1800, 0)


def test_early_writers_put_every_position_field_into_every_record(tmp_path, mapping, catalogue):
    folder = write_set(tmp_path / "t", [], [SPEED], "AB", version="2")
    body = b"".join(record(m, "ABCDEFGHI") for m in moments(50, v0=1000))
    (folder / "TLG00001.BIN").write_bytes(body)
    out = take(folder, mapping, catalogue)
    assert out.accepted.height == 50
    assert ("position_in_every_record", {}) in out.findings


@pytest.mark.parametrize(
    ("letters", "position", "began", "hour", "code"),
    [
        ("ABDHI", {"H": 6 * 3_600_000, "I": 16_710}, "", 6, "zone_by_satellites"),
        ("ABDHI", {"H": 6 * 3_600_000 + 34 * 60_000, "I": 16_710}, "", 6.5 + 4 / 60, "machine_clock_wrong"),
        ("ABDHI", {"H": 0, "I": 0xFFFF}, "2025-10-01T06:00:20Z", 6, "zone_by_task_start"),
        ("ABDHI", {"H": 0, "I": 0}, "", 6, "zone_of_mapping"),
        ("ABD", {"B": 850_000_000}, "2025-10-01T02:15:00Z", 2.25, "zone_by_task_start"),
    ],
)
def test_local_time_becomes_utc_by_the_best_witness(tmp_path, mapping, catalogue, letters, position, began, hour, code):
    days = (START - dt.datetime(1980, 1, 1)).days  # noqa: DTZ001
    at = {**PLACE, **position}
    if at.get("I") == 16_710:
        at["I"] = days
    log = [
        Moment(START + dt.timedelta(seconds=s), {**at, "H": at["H"] + 1000 * s} if at.get("I") == days else at)
        for s in range(60)
    ]
    out = take(write_set(tmp_path / "t", log, [SPEED], letters, began=began), mapping, catalogue)
    assert out.accepted["logged_at"][0] == dt.datetime(2025, 10, 1, tzinfo=dt.UTC) + dt.timedelta(hours=hour)
    assert [c for c, _ in out.findings] == [code]


@pytest.mark.parametrize(
    ("days", "began", "codes"),
    [
        # The receiver's date is 1,024 weeks early: its time of day cannot be used.
        (-7168, "", ["zone_of_mapping_instead"]),
        (-7168, "2025-10-01T06:00:00Z", ["zone_by_task_start"]),
        (3, "", ["zone_of_mapping_instead"]),
        (0, "", ["zone_by_satellites"]),
    ],
)
def test_a_satellite_date_that_contradicts_the_log_is_reported(tmp_path, mapping, catalogue, days, began, codes):
    day = (START - dt.datetime(1980, 1, 1)).days  # noqa: DTZ001
    log = [
        Moment(START + dt.timedelta(seconds=s), {**PLACE, "H": 6 * 3_600_000 + 1000 * s, "I": day + days})
        for s in range(60)
    ]
    out = take(write_set(tmp_path / "t", log, [SPEED], "ABDHI", began=began), mapping, catalogue)
    assert out.accepted["logged_at"][0] == dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
    assert [code for code, _ in out.findings] == codes
    # The log is 2 h from UTC, so the difference is that of the dates less or more these hours.
    text = str(out.findings)
    assert ("satellite_date_differs" in text) == (days != 0)
    assert days == 0 or str(round(-days + 2 / 24, 1))[:4] in text


@pytest.mark.parametrize(
    ("lon_deg", "zone", "sun_hours"),
    [(15.0, "Europe/Prague", None), (15.0, "America/Chicago", 1.0), (-97.0, "Europe/Prague", -6.47)],
)
def test_a_zone_that_cannot_be_at_the_place_of_the_log_is_reported(tmp_path, catalogue, lon_deg, zone, sun_hours):
    table = {"kind": "telemetry", "files": ["*"], "form": "iso11783", "time_zone": zone}
    mapping = parse_mapping(table, "task_data", catalogue, "test")
    log = [Moment(START + dt.timedelta(seconds=s), {**PLACE, "B": int(lon_deg * 1e7)}) for s in range(3)]
    out = take(write_set(tmp_path / "t", log, [SPEED]), mapping, catalogue)
    assert out.accepted.height == 3
    found = [args["sun_hours"] for code, args in out.findings if code == "zone_unlike_position"]
    assert found == ([] if sun_hours is None else [pytest.approx(sun_hours, abs=0.01)])


def test_no_zone_anywhere_is_asked_for(tmp_path, catalogue):
    bare = parse_mapping({"kind": "telemetry", "files": ["*"], "form": "iso11783"}, "m", catalogue, "test")
    out = take(write_set(tmp_path / "t", moments(2), [SPEED]), bare, catalogue)
    assert out.rejected["rule"].to_list() == ["zone_unknown"]
    assert out.reasons == [("zone_unknown", {})]


@pytest.mark.parametrize(
    ("scale", "scale_by", "kmh", "stated"),
    [
        ((0, 0.0036, "km/h"), None, 5.4, False),
        # Both are speeds that a machine may have: the device's scale counts, and the difference is reported.
        ((0, 0.000036, "km/h"), None, 0.054, True),
        ((0, 0.000036, "km/h"), "device", 0.054, False),
        ((0, 36.0, "km/h"), None, 5.4, True),
        ((0, 0.0036, "Furlong"), None, 5.4, False),
        (None, None, 5.4, False),
    ],
)
def test_the_devices_scale_and_the_dictionarys_are_reconciled(tmp_path, catalogue, scale, scale_by, kmh, stated):
    extra = {"scale_by": scale_by} if scale_by else {}
    mapping = reading(catalogue, ground_speed_kmh={"from": "ddi 397", **extra})
    value = Value(397, designator="Speed", scale=scale)
    out = take(write_set(tmp_path / "t", moments(2, v0=1500), [value]), mapping, catalogue)
    assert out.accepted["ground_speed_kmh"][0] == pytest.approx(kmh)
    assert any(code in {"device_scale_taken", "dictionary_scale_taken"} for code, _ in out.findings) == stated


def test_of_two_scales_the_plausible_one_is_taken_for_a_setting(tmp_path, mapping, catalogue):
    wrong = Value(52, designator="Depth", scale=(0, 0.01, "mm"))  # 80 mm would be 0.08 cm: no depth
    out = take(write_set(tmp_path / "t", moments(2, v0=80), [wrong]), mapping, catalogue)
    assert out.accepted["share_depth_cm"][0] == 8.0
    assert "dictionary_scale_taken" in [code for code, _ in out.findings]


def test_proprietary_values_are_named_by_their_designator_and_unit(tmp_path, catalogue):
    values = [
        Value(0xE001, "DET-1", designator="Cleaner front", scale=(0, 0.1, "1/min")),
        Value(0xE002, "DET-1", designator="Depth", scale=(0, 1, "mm")),
        Value(0xE002, "DET-2", designator="Depth", scale=(0, 1, "mm")),
    ]
    elements = {"DET-1": "left share", "DET-2": "right share"}
    mapping = reading(
        catalogue,
        cleaner_1_speed_rpm={"from": "cleaner FRONT"},
        share_depth_cm={"from": ["Depth | left share", "Depth | right share"]},
        topper_speed_rpm={"from": "Not there"},
    )
    records = moments(2, v0=450, v1=60, v2=80)
    out = take(write_set(tmp_path / "t", records, values, elements=elements), mapping, catalogue).accepted
    assert out.select("cleaner_1_speed_rpm", "share_depth_cm", "topper_speed_rpm").row(0) == (45.0, 7.0, None)


def test_a_proprietary_value_without_a_known_unit_is_asked_about(tmp_path, catalogue):
    value = Value(0xE001, designator="Cleaner", scale=(0, 1, "UPM?"))
    folder = write_set(tmp_path / "t", moments(2, v0=45), [value])
    asked = take(folder, reading(catalogue, cleaner_1_speed_rpm={"from": "Cleaner"}), catalogue)
    assert asked.rejected["rule"].to_list() == ["unit_unknown"]
    stated = take(folder, reading(catalogue, cleaner_1_speed_rpm={"from": "Cleaner", "unit": "rpm"}), catalogue)
    assert stated.accepted["cleaner_1_speed_rpm"].to_list() == [45.0, 45.0]


def test_states_sections_and_loads(tmp_path, mapping, catalogue):
    values = [Value(141), Value(161), Value(240), Value(322), Value(320), Value(323), Value(321)]
    # Six sections: on, on, off, on, not available, error.
    sections = (0b01 | 0b01 << 2 | 0b00 << 4 | 0b01 << 6 | 0b11 << 8 | 0b10 << 10 | 0xFFFFF << 12) - (1 << 32)
    records = [
        Moment(START, PLACE, {0: 1, 1: sections, 2: 1, 3: 4, 4: 9_500_000, 5: 3, 6: 9_000_000}),
        Moment(START + dt.timedelta(seconds=1), PLACE, {0: 0, 2: 0}),
        Moment(START + dt.timedelta(seconds=2), PLACE, {0: 3}),
    ]
    out = take(write_set(tmp_path / "t", records, values), mapping, catalogue).accepted
    assert out["work_state"].to_list() == ["working", "off", None]
    assert out["sections_on_pct"][0] == 75.0
    assert out["unloading"].to_list() == [1.0, 0.0, 0.0]
    row = out.row(0, named=True)
    assert (row["load_number"], row["loaded_t"], row["unload_number"], row["unloaded_t"]) == (4.0, 9.5, 3.0, 9.0)


@pytest.mark.parametrize(("lat", "lon"), [(0, 0), (-1, -1), (950_000_000, 150_000_000), (500_000_000, 1_900_000_000)])
def test_a_place_that_is_none_is_null_and_its_row_stays(tmp_path, mapping, catalogue, lat, lon):
    records = [Moment(START, {"A": lat, "B": lon, "D": 15})]
    out = take(write_set(tmp_path / "t", records, [SPEED]), mapping, catalogue).accepted
    assert out.select("lat_deg", "lon_deg").rows() == [(None, None)]


def test_people_in_the_file_are_not_taken_in(tmp_path, mapping, catalogue):
    people = (
        '<WKR A="WKR1" B="Quillfeather"/><CTR A="CTR1" B="Thornbuckle"/><FRM A="FRM1" B="Thornbuckle farm" I="CTR1"/>'
    )
    out = take(write_set(tmp_path / "t", moments(3, v0=1000), [SPEED], extra=people), mapping, catalogue)
    everything = str(out.accepted.to_dicts()) + str(out.rejected.to_dicts()) + str(out.received)
    assert out.accepted.height == 3
    assert "Quillfeather" not in everything
    assert "Thornbuckle" not in everything


def test_a_zip_reads_as_its_folder_does(tmp_path, mapping, catalogue):
    folder = write_set(tmp_path / "t", moments(30, v0=1000), [SPEED])
    packed = zipped(folder, tmp_path / "t.zip", "deep/TASKDATA with space/")
    one, two = take(folder, mapping, catalogue), take(packed, mapping, catalogue)
    assert two.accepted.drop("part").equals(one.accepted.drop("part"))


def test_parts_named_by_reference_are_read_with_the_rest(tmp_path, mapping, catalogue):
    folder = write_set(tmp_path / "t", moments(3, v0=1000), [SPEED])
    (folder / "TASKDATA.XML").write_text(
        task_data('<XFR A="DVC00000" B="1"/><XFR A="GONE0000" B="1"/>' + task(["TLG00001"]))
    )
    (folder / "dvc00000.xml").write_text(f"<XFC>{device([SPEED])}</XFC>")
    out = take(folder, mapping, catalogue)
    assert out.accepted["machine_id"].to_list() == ["Harvester 7"] * 3
    assert ("linked_file_missing", {"file": "GONE0000"}) in out.findings


@pytest.mark.parametrize(
    ("declared", "encoded", "name"),
    [
        ("UTF-8", "cp1252", "Rübenroder"),
        ("ISO8859-1", "latin-1", "Rübenroder"),
        ("UTF-16", "utf-16", "Rübenroder"),
        ("UTF-8", "utf-8-sig", "Rübenroder"),
    ],
)
def test_encodings_as_machines_write_them(tmp_path, mapping, catalogue, declared, encoded, name):
    folder = write_set(tmp_path / "t", moments(2, v0=1000), [SPEED])
    text = task_data(device([SPEED], name) + task(["TLG00001"])).replace('encoding="UTF-8"', f'encoding="{declared}"')
    (folder / "TASKDATA.XML").write_bytes(text.encode(encoded))
    assert take(folder, mapping, catalogue).accepted["machine_id"].to_list() == [f"{name} 7"] * 2


def test_a_log_without_its_header_or_records_is_one_rejected_row_and_its_neighbours_go_on(tmp_path, mapping, catalogue):
    folder = write_set(tmp_path / "t", moments(3, v0=1000), [SPEED])
    (folder / "TASKDATA.XML").write_text(
        task_data(device([SPEED]) + task(["TLG00001", "TLG00002", "TLG00003", "TLG00001"]))
    )
    (folder / "TLG00003.XML").write_text(log_header([SPEED], "ABD")[:60])
    (folder / "TLG00003.BIN").write_bytes(b"")
    out = take(folder, mapping, catalogue)
    assert out.accepted.height == 3  # the same log named twice is read once
    assert out.rejected["rule"].to_list() == ["log_incomplete", "not_xml"]


@pytest.mark.parametrize("counts", ["even", "mixed"])
def test_a_long_log_is_walked_in_chunks_as_it_would_be_whole(counts):
    rng = np.random.default_rng(4)
    made = []
    for i in range(30_000):
        n = 5 if counts == "even" else int(rng.integers(0, 9))
        values = {int(k): int(rng.integers(-(2**31), 2**31)) for k in rng.choice(9, n, replace=False)}
        made.append(Moment(START + dt.timedelta(milliseconds=200 * i), {"A": i, "B": -i, "D": 4}, values))
    body = b"".join(record(m, "ABD") for m in made)
    layout = layout_of(fromstring(log_header([Value(i) for i in range(9)], "ABD")))
    at = 0

    def read(n: int) -> bytes:
        nonlocal at
        piece = body[at : at + min(n, 70_001)]
        at += len(piece)
        return piece

    found = list(read_records(read, layout, [0, 3, 8]))
    assert sum(r.head.size for r in found) == len(made)
    assert not any(r.gaps for r in found)
    logged = np.concatenate([r.values[:3] for r in found], axis=1)
    wanted = np.array([[m.values.get(k, np.nan) for m in made] for k in (0, 3, 8)], dtype=float)
    assert np.array_equal(logged, wanted, equal_nan=True)
    assert np.array_equal(np.concatenate([r.head["lat"] for r in found]), [m.position["A"] for m in made])


def test_the_work_states_of_a_machine_that_only_says_on_and_off():
    from transforms.telemetry.bins import add_state  # noqa: PLC0415

    records = pl.DataFrame(
        {
            "logged_at": [dt.datetime(2025, 10, 1, 6, 0, s, tzinfo=dt.UTC) for s in range(4)],
            "work_state": ["working", "off", "off", None],
            "share_depth_cm": [8.0, 8.0, 0.0, 8.0],
            "ground_speed_kmh": [6.0, 6.0, 0.0, 6.0],
        }
    )
    assert add_state(records)["state"].to_list() == ["working", "turning", "idle", "working"]
