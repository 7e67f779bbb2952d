"""The kind of rows is decided from all evidence, or asked for."""

import datetime as dt

import pytest
import xlsxwriter

from tests.support.exports import ROWS, asked, column, proposal, proposals, sources, write_export

START = dt.datetime(2025, 10, 13, 8)  # noqa: DTZ001


def at(minutes: float, form: str = "%d.%m.%Y %H:%M") -> str:
    return (START + dt.timedelta(minutes=minutes)).strftime(form)


def test_a_plain_german_weigh_list_is_not_telemetry(tmp_path):
    rows = [f"{at(17 * i)};R{i % 2};W{7000 + 3 * i};{38000 + i};{14000 + i % 3};{24000 + i - i % 3}" for i in ROWS]
    path = write_export(tmp_path / "liste.csv", "Zeit;Roder;Schein-Nr.;Brutto kg;Tara kg;Netto kg", rows)
    proposed = proposal(path)
    assert proposed.kind == "load"
    assert sources(proposed)["load_id"] == ["Schein-Nr."]


def test_a_log_is_known_by_its_interval_and_settings(tmp_path):
    rows = [f"M4;{at(i / 6, '%d/%m/%Y %H:%M:%S')};{5 + i / 10};{6 + i % 3};900" for i in ROWS]
    header = "Machine;Horodatage (UTC);Vitesse d'avancement (km/h);Profondeur des socs (cm);Effeuilleuse (tr/min)"
    proposed = proposal(write_export(tmp_path / "x.csv", header, rows))
    assert proposed.kind == "telemetry"
    assert not proposed.questions
    assert set(sources(proposed)) == {
        "machine_id",
        "logged_at",
        "ground_speed_kmh",
        "share_depth_cm",
        "topper_speed_rpm",
    }


@pytest.mark.parametrize(
    ("minutes", "header", "cells", "kind"),
    [
        (60, "Zeit;Station;Lufttemperatur °C;Niederschlag mm", "S1;8.5;0.2", "weather_hour"),
        (1440, "Den;Stanice;Max. teplota °C;Min. teplota °C;Srážky mm", "S1;18.5;4.0;0.2", "weather_day"),
    ],
)
def test_weather_is_not_telemetry(tmp_path, minutes, header, cells, kind):
    form = "%d.%m.%Y" if kind == "weather_day" else "%d.%m.%Y %H:%M"
    rows = [f"{at(i * minutes, form)};{cells}" for i in ROWS]
    assert proposal(write_export(tmp_path / "x.csv", header, rows)).kind == kind


def test_a_forecast_is_known_by_a_time_of_issue_that_repeats(tmp_path):
    rows = [f"{at(60 * i)};{at(-30 if i < 12 else 330)};S1;8.5;0.2" for i in ROWS]
    path = write_export(tmp_path / "x.csv", "Godzina;Prognoza z;Stacja;Temperatura °C;Opady mm", rows)
    assert proposal(path).kind == "forecast_hour"


def serial(minutes: float) -> str:
    """Return a time as the day number of a spreadsheet."""
    return f"{45943 + 1 / 3 + minutes / 1440:.6f}"


@pytest.mark.parametrize("made", [[-30] * 24, [-30] * 12 + [690] * 12], ids=["constant", "in blocks"])
@pytest.mark.parametrize("write", [at, serial])
def test_a_second_time_of_unknown_name_that_repeats_makes_the_kind_of_weather_a_question(tmp_path, made, write):
    rows = [f"{write(60 * i)};{write(made[i])};S1;8.5;0.2" for i in ROWS]
    header = "Time;Blurb;Station;Air temperature °C;Rain mm"
    proposed = proposal(write_export(tmp_path / "weather_station.csv", header, rows))
    assert "kind" in asked(proposed)
    assert {"forecast_hour", "weather_hour"} <= set(next(q.choices for q in proposed.questions if q.key == "kind"))


@pytest.mark.parametrize(
    ("second", "cells"),
    [
        ("Day", [at(60 * i, "%d.%m.%Y") for i in ROWS]),
        ("Blurb", [at(60 * i + 5) for i in ROWS]),
        ("Blurb", ["45012"] * 24),
        ("Blurb", [at(300)] * 24),
    ],
    ids=["date of the row", "received", "number of a day long ago", "amid the rows"],
)
def test_a_second_time_that_no_forecast_can_have_leaves_measured_weather(tmp_path, second, cells):
    rows = [f"{at(60 * i)};{cells[i]};S1;8.5;0.2" for i in ROWS]
    header = f"Time;{second};Station;Air temperature °C;Rain mm"
    proposed = proposal(write_export(tmp_path / "weather_station.csv", header, rows))
    assert proposed.kind == "weather_hour"
    assert "kind" not in asked(proposed)


def test_an_audit_is_not_telemetry(tmp_path):
    rows = [f"A{i};{at(90 * i)};R1;P{i % 3};10;6;{i % 4};0,{i % 9}" for i in ROWS]
    header = "Controle nr;Datum tijd;Rooier;Perceel;Lengte (m);Aantal rijen;Breuk 2-4 cm;Gewicht punten (kg)"
    proposed = proposal(write_export(tmp_path / "x.csv", header, rows))
    assert proposed.kind == "loss_audit"
    assert sources(proposed)["broken_2_4_cm_count"] == ["Breuk 2-4 cm"]
    assert column(proposed, "broken_mass_kg").row["unit"] == "kg"


def test_a_table_that_fits_nothing_is_asked_about(tmp_path):
    rows = [f"{i};{i * 7 % 5};{i * 3 % 7}" for i in ROWS]
    assert "kind" in asked(proposal(write_export(tmp_path / "x.csv", "Alpha x;Beta y;Gamma z", rows)))


def test_a_row_with_ticket_and_lab_result_gives_two_mappings(tmp_path):
    rows = [f"T{i};{at(15 * i)};F{i % 3};N;24.{i:02d};{5 + i % 8}.5;2.1;17.0" for i in ROWS]
    header = "Ticket;Weighed;Field;Factory;Delivered weight (t);Dirt (%);Crown (%);Sugar (%)"
    load, tare = proposals(write_export(tmp_path / "x.csv", header, rows))
    assert (load.kind, tare.kind) == ("load", "tare")
    assert sources(tare)["sample_id"] == sources(tare)["load_id"] == ["Ticket"]
    assert sources(tare)["dirt_tare_pct"] == ["Dirt (%)"]
    assert not load.unread


def test_a_workbook_with_several_kinds_gives_a_mapping_for_each(tmp_path):
    path = tmp_path / "week.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("Cover").write(0, 0, "Laboratory")
        tickets, lab = book.add_worksheet("Tickets 40"), book.add_worksheet("Lab")
        tickets.write_row(0, 0, ["Ticket", "Weighed", "Field", "Factory", "Delivered (t)"])
        lab.write_row(0, 0, ["Sample no", "Ticket", "Dirt (%)"])
        for i in ROWS:
            tickets.write_row(i + 1, 0, [f"T{i}", at(15 * i), f"F{i % 3}", "N", 24.5 + i / 10])
            lab.write_row(i + 1, 0, [f"S{i}", f"T{i}", 7.5 + i / 10])
    found = {p.kind: p for p in proposals(path)}
    assert {k: p.layout["sheet"] for k, p in found.items()} == {"load": "Tickets *", "tare": "Lab"}
    assert {q.key for p in found.values() for q in p.questions} == {"time_zone"}


def test_known_ids_make_a_key_of_a_number(tmp_path):
    rows = [f"S{i};{9000 + i};7.{i % 9}" for i in ROWS]
    path = write_export(tmp_path / "lab.csv", "Sample;Ticket or order;Dirt (%)", rows)
    joined = proposals(path, known={"load_id": {str(9000 + i) for i in ROWS}})[0]
    assert sources(joined)["load_id"] == ["Ticket or order"]
    assert column(joined, "load_id").confidence > column(proposal(path), "load_id").confidence - 1e-9
