"""Columns are read without a question only if names, units and values agree."""

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.exports import ROWS, asked, column, proposal, sources, write_export
from transforms.ingest.propose.proposal import SURE

START = dt.datetime(2025, 10, 13, 8)  # noqa: DTZ001
HEADER = "Ticket;Weighed;Field;Factory"


def ticket(i: int) -> str:
    at = START + dt.timedelta(minutes=16 * i)
    return f"T{700 + 3 * i};{at:%d.%m.%Y %H:%M};F{i % 4};N"


def tickets(tmp_path: Path, header: str, cells: Callable[[int], str]) -> Path:
    return write_export(tmp_path / "t.csv", f"{HEADER};{header}", [f"{ticket(i)};{cells(i)}" for i in ROWS])


def weights(i: int) -> tuple[int, int]:
    return 36_000 + 137 * i, 14_000 + 60 * (i % 3)


@pytest.mark.parametrize("header", ["Brutto kg;Tara kg;Netto kg", "Poids 1 kg;Poids 2 kg;Poids net kg"])
def test_the_weight_with_the_truck_in_it_is_never_the_delivered_one(tmp_path, header):
    path = tickets(tmp_path, header, lambda i: f"{weights(i)[0]};{weights(i)[1]};{weights(i)[0] - weights(i)[1]}")
    found = sources(proposal(path))
    names = header.split(";")
    assert [found[c] for c in ("truck_full_t", "truck_empty_t", "delivered_t")] == [[n] for n in names]
    assert "clean_t" not in found


def test_delivered_less_dirt_is_clean(tmp_path):
    path = tickets(tmp_path, "Brutto t;Schmutz t;Netto t", lambda i: f"25.{i:02d};2.00;23.{i:02d}")
    found = sources(proposal(path))
    assert (found["delivered_t"], found["clean_t"]) == (["Brutto t"], ["Netto t"])
    assert "truck_full_t" not in found


def test_a_single_net_weight_is_asked_about(tmp_path):
    path = tickets(tmp_path, "Netto t", lambda i: f"24.{i:02d}")
    questions = asked(proposal(path))
    assert "Netto t" in questions.values()


def test_line_numbers_and_lorry_numbers_are_no_load_ids(tmp_path):
    at = [START + dt.timedelta(minutes=16 * i) for i in ROWS]
    rows = [f"{i + 1};LK{i % 4};{88_000 + 7 * i};{t:%d.%m.%Y %H:%M};F1;N;24.5" for i, t in enumerate(at)]
    header = "Nr.;Kennzeichen;Wiegeschein;Gewogen;Schlag;Werk;Angeliefert t"
    proposed = proposal(write_export(tmp_path / "t.csv", header, rows))
    assert sources(proposed)["load_id"] == ["Wiegeschein"]
    assert sources(proposed)["truck_id"] == ["Kennzeichen"]
    assert proposed.unread == ["Nr."]


HAULAGE_HEADERS = (
    "Truck no.;Trailer;Weighed empty;Gang",
    "LKW-Kennzeichen;Anhänger;Leer gewogen am;Abfuhrgruppe",
    "Camion;Remorque;Date pesée à vide;Équipe",
    "Nr rejestracyjny;Nr przyczepy;Data ważenia tary;Brygada",
    "Kenteken;Oplegger;Tarra gewogen;Laadploeg",
    "Matrícula camión;Remolque;Fecha tara;Cuadrilla",
    "Госномер;Прицеп;Дата взвешивания тары;Бригада",
    "SPZ vozidla;Přívěs;Datum vážení tary;Parta",
)


@pytest.mark.parametrize("header", HAULAGE_HEADERS, ids=lambda h: h.split(";")[0])
def test_trucks_trailers_empty_weighings_and_gangs_are_recognized(tmp_path, header):
    def cells(i: int) -> str:
        tared = START + dt.timedelta(minutes=16 * i + 23)
        return f"24.{i:02d};LK {40 + i % 5};TR {70 + i % 6};{tared:%d.%m.%Y %H:%M};G{i % 3}"

    found = sources(proposal(tickets(tmp_path, f"Delivered t;{header}", cells)))
    names = [found.get(c) for c in ("truck_id", "trailer_id", "tared_at", "gang_id")]
    assert names == [[n] for n in header.split(";")]
    assert found["weighed_at"] == ["Weighed"]


def test_a_haulier_is_not_a_truck(tmp_path):
    path = tickets(tmp_path, "Delivered t;Spediteur", lambda i: f"24.{i:02d};SP{i % 3}")
    assert "truck_id" not in sources(proposal(path))


def test_a_counter_alone_is_not_read_as_load_id_without_asking(tmp_path):
    at = [START + dt.timedelta(minutes=16 * i) for i in ROWS]
    rows = [f"{i + 1};{t:%d.%m.%Y %H:%M};F1;N;24.5" for i, t in enumerate(at)]
    proposed = proposal(write_export(tmp_path / "t.csv", "Nr.;Gewogen;Schlag;Werk;Angeliefert t", rows))
    assert "load_id" in asked(proposed)


@pytest.mark.parametrize(("days", "is_asked"), [(0, False), (30, True)])
def test_a_date_long_after_the_weighing_is_not_the_date_of_issue(tmp_path, days, is_asked):
    def issued(i: int) -> str:
        return f"{START + dt.timedelta(days=days, minutes=16 * i + 2):%d.%m.%Y %H:%M};24.5"

    path = tickets(tmp_path, "Issued;Delivered t", issued)
    assert ("issued_at" in asked(proposal(path))) == is_asked


def test_kilograms_are_no_count(tmp_path):
    rows = [f"A{i};13.10.2025 08:{i:02d};R1;F1;60;{i % 4}.5" for i in ROWS]
    path = write_export(tmp_path / "a.csv", "Audit;Audited;Harvester;Field;Plot m2;Whole roots (kg)", rows)
    found = sources(proposal(path))
    assert found["whole_mass_kg"] == ["Whole roots (kg)"]
    assert "whole_roots_count" not in found


@pytest.mark.parametrize(("word", "meaning"), [("nie", False), ("tak", True), ("нет", False), ("nee", False)])
def test_no_in_any_language_cancels_nothing(tmp_path, word, meaning):
    path = tickets(tmp_path, "Anulowano;Delivered t", lambda _: f"{word};24.5")
    assert column(proposal(path), "cancelled").row["words"] == {word: meaning}


def test_an_unknown_word_of_a_flag_is_asked_about(tmp_path):
    path = tickets(tmp_path, "Storno;Delivered t", lambda i: f"{'qq' if i % 2 else 'nein'};24.5")
    assert "cancelled.qq" in asked(proposal(path))
    answered = proposal(path, **{"cancelled.qq": "true"})
    assert column(answered, "cancelled").row["words"] == {"nein": False, "qq": True}


def test_an_answer_gives_a_word_its_meaning_that_the_first_rows_lack(tmp_path):
    path = tickets(tmp_path, "Storno;Delivered t", lambda _: "nein;24.5")
    answered = proposal(path, **{"cancelled.qq": "true", "cancelled.unit": "kg"})
    assert column(answered, "cancelled").row["words"] == {"nein": False, "qq": True}


def test_a_column_that_fits_two_targets_is_asked_about_with_both(tmp_path):
    path = tickets(tmp_path, "Delivered t;Delivered weight t", lambda i: f"24.{i:02d};24.{i:02d}")
    proposed = proposal(path)
    (question,) = [q for q in proposed.questions if q.key == "delivered_t"]
    assert {"Delivered t", "Delivered weight t", "skip"} <= set(question.choices)
    assert column(proposed, "delivered_t").confidence < SURE


def test_an_implausible_range_lowers_the_confidence(tmp_path):
    rows = [f"M1;{START + dt.timedelta(seconds=5 * i):%d.%m.%Y %H:%M:%S};{i + 900};6" for i in ROWS]
    path = write_export(tmp_path / "l.csv", "Maschine;Zeit (UTC);Rodetiefe cm;Fahrgeschwindigkeit km/h", rows)
    proposed = proposal(path)
    assert column(proposed, "share_depth_cm").confidence < SURE
    assert column(proposed, "ground_speed_kmh").confidence >= SURE


def test_set_points_and_limits_are_not_the_setting(tmp_path):
    rows = [f"M1;{START + dt.timedelta(seconds=5 * i):%d.%m.%Y %H:%M:%S};7.{i % 9};8.0" for i in ROWS]
    path = write_export(tmp_path / "l.csv", "Maschine;Zeit (UTC);Rodetiefe Ist (cm);Rodetiefe Soll (cm)", rows)
    proposed = proposal(path)
    assert sources(proposed)["share_depth_cm"] == ["Rodetiefe Ist (cm)"]
    assert proposed.unread == ["Rodetiefe Soll (cm)"]


def test_one_question_about_a_unit_serves_alike_columns(tmp_path):
    path = tickets(tmp_path, "Delivered;Clean", lambda i: f"24.{i:02d};22.{i:02d}")
    assert {k for k in asked(proposal(path)) if k.endswith(".unit")} == {"delivered_t.unit"}
    answered = proposal(path, **{"delivered_t.unit": "t", "time_zone": "UTC"})
    assert column(answered, "clean_t").row["unit"] == "t"
    assert not answered.questions
    other = proposal(path, **{"delivered_t.unit": "t", "clean_t.unit": "short_ton"})
    assert column(other, "clean_t").row["unit"] == "short_ton"


def test_a_ton_in_north_america_is_asked_about(tmp_path):
    path = tickets(tmp_path, "Delivered (T)", lambda i: f"24.{i:02d}")
    assert "delivered_t.unit" in asked(proposal(path, zone="America/Chicago"))
    assert "delivered_t.unit" not in asked(proposal(path))


def test_a_part_of_a_name_is_asked_about_if_its_unit_fits_and_engines_are_left_alone(tmp_path):
    at = [START + dt.timedelta(seconds=5 * i) for i in ROWS]
    rows = [f"M1;{t:%d.%m.%Y %H:%M:%S};7.{i % 9};4{i % 9};1900" for i, t in enumerate(at)]
    header = "Maschine;Zeit (UTC);Rodetiefe cm;Einzug Wobbel (mm);Motordrehzahl (U/min)"
    proposed = proposal(write_export(tmp_path / "l.csv", header, rows))
    assert asked(proposed) == {"intake_roller_height_mm": "Einzug Wobbel (mm)"}
    assert proposed.unread == ["Motordrehzahl (U/min)"]


def test_another_answer_than_a_column_replaces_a_doubtful_match(tmp_path):
    at = [START + dt.timedelta(seconds=5 * i) for i in ROWS]
    rows = [f"D{i % 3};{t:%d.%m.%Y %H:%M:%S};7.{i % 9}" for i, t in enumerate(at)]
    path = write_export(tmp_path / "log_M07_.csv", "Vehicle Qwx;Zeit (UTC);Rodetiefe cm", rows)
    assert asked(proposal(path)) == {"machine_id": "Vehicle Qwx"}
    assert column(proposal(path, machine_id="=M07"), "machine_id").row == {"value": "M07"}
    assert "file_name" in column(proposal(path, machine_id="name"), "machine_id").row
    assert "machine_id" in asked(proposal(path, machine_id="skip"))
