"""Encodings, headers of several rows, number marks and sheets are detected, or asked about."""

import re

import pytest

from tests.support.exports import ROWS, asked, column, proposal, sources, write_export
from transforms.ingest.propose.encoding import decode
from transforms.ingest.propose.sniff import sniff

POLISH = "Nr kwitu;Data ważenia;Działka;Zakład;Masa dostarczona [t];Zażółć"
CZECH = "Číslo lístku;Zváženo;Pozemek;Závod;Dodáno [t];Řepařství"
RUSSIAN = "№ накладной;Дата взвешивания;Поле;Завод;Физический вес, т;Примечание"
GERMAN = "Wiegeschein;Gewogen;Schlag;Werk;Angeliefert [t];Rübenfläche"


@pytest.mark.parametrize(
    ("header", "encoding"),
    [
        (POLISH, "cp1250"),
        (CZECH, "cp1250"),
        (CZECH, "cp852"),
        (RUSSIAN, "cp1251"),
        (POLISH, "utf-16"),
        (RUSSIAN, "utf-16-le"),
        (POLISH, "utf-16-be"),
        (GERMAN, "cp1252"),
    ],
)
def test_the_encoding_is_detected_and_the_header_is_whole(tmp_path, header, encoding):
    rows = [f"T{i};13.10.2025 08:{i:02d};F{i % 3};N;24,{i:02d};a" for i in ROWS]
    path = write_export(tmp_path / "t.csv", header, rows, encoding)
    proposed = proposal(path)
    assert "encoding" not in asked(proposed)
    assert sniff(path)[0].columns == header.split(";")
    assert sources(proposed)["load_id"] == [header.split(";")[0]]


def test_an_unclear_encoding_is_asked_for_and_the_answer_decodes_the_header(tmp_path):
    rows = [f"T{i};2025-10-13 08:{i:02d};F{i % 3};N;24.{i:02d}" for i in ROWS]
    path = write_export(tmp_path / "t.csv", "Ticket;Weighed;Field;Factory Ørå;Delivered t", rows, "cp865")
    (question,) = [q for q in proposal(path).questions if q.key == "encoding"]
    assert len(question.choices) > 1
    answered = proposal(path, encoding="cp865")
    assert answered.layout["encoding"] == "cp865"
    assert sources(answered)["site_id"] == ["Factory Ørå"]


def test_german_letters_that_two_encodings_share_need_no_question():
    assert decode("Länge;Fläche\n".encode("cp1252")).question is None


def test_a_header_of_two_rows_with_repeated_names_keeps_both(tmp_path):
    rows = [f"M1;13.10.2025 08:00:{i:02d};7.{i % 9};42;900" for i in ROWS]
    header = "Maschine;Zeit;Rodung;Reinigung;\n;;Tiefe (cm);1 (U/min);2 (U/min)"
    found = sniff(write_export(tmp_path / "l.csv", header, rows))[0]
    assert found.columns == ["Maschine", "Zeit", "Rodung Tiefe (cm)", "Reinigung 1 (U/min)", "Reinigung 2 (U/min)"]
    assert found.layout["header_rows"] == 2


def test_groups_above_repeated_names_belong_to_the_header(tmp_path):
    rows = [f"T{i};2025-10-13 08:{i:02d};F1;N;24.5;20.1" for i in ROWS]
    header = ";;;;Mean;Mean\nTicket;Weighed;Field;Factory;Weight;Weight"
    found = sniff(write_export(tmp_path / "l.csv", header.replace("Mean;Mean", "Full;Empty"), rows))[0]
    assert found.columns[-2:] == ["Full Weight", "Empty Weight"]


def test_a_first_row_of_words_is_no_second_header_row(tmp_path):
    rows = [f"N;T{i};2025-10-13 08:{i:02d};;24.5" for i in ROWS]
    found = sniff(write_export(tmp_path / "l.csv", "Void;Ticket;Weighed;;Delivered t", rows))[0]
    assert "header_rows" not in found.layout


def test_digits_in_names_are_kept(tmp_path):
    rows = [f"A{i};2025-10-13 08:{i:02d};R1;F1;60;{i % 3};{i % 4};{i % 5}" for i in ROWS]
    header = "Audit;Audited;Machine;Field;Plot (m²);Broken 2-4 cm;Broken 4-6 cm;Broken > 8 cm"
    found = sources(proposal(write_export(tmp_path / "a.csv", header, rows)))
    assert found["broken_2_4_cm_count"] == ["Broken 2-4 cm"]
    assert found["broken_4_6_cm_count"] == ["Broken 4-6 cm"]
    assert found["broken_over_8_cm_count"] == ["Broken > 8 cm"]


def test_grouped_thousands_beside_decimals_are_numbers(tmp_path):
    rows = [f"T{i};2025-10-13 08:{i:02d};F1;N;{'1,800' if i % 2 else '950'};24.5" for i in ROWS]
    path = write_export(
        tmp_path / "t.csv", "Ticket;Weighed;Field;Factory;Truck no;Delivered t", [r.replace(";", "\t") for r in rows]
    )
    path.write_text(
        path.read_text().replace(
            "Ticket;Weighed;Field;Factory;Truck no;Delivered t",
            "Ticket\tWeighed\tField\tFactory\tTruck no\tDelivered t",
        )
    )
    assert proposal(path).layout["thousands"] == ","


def test_excel_days_and_milliseconds_are_times(tmp_path):
    for form, value in (("excel_1900", "45943.33"), ("epoch_ms", "17603424000{i:02d}"), ("epoch_s", "17603424{i:02d}")):
        rows = [f"M1;{value.format(i=i)}{i if form == 'excel_1900' else ''};7.{i % 9}" for i in ROWS]
        proposed = proposal(write_export(tmp_path / f"{form}.csv", "Machine;Time;Depth (cm)", rows))
        assert column(proposed, "logged_at").row["format"] == form


@pytest.mark.parametrize(("day", "is_asked"), [(5, True), (17, False)])
def test_the_order_of_day_and_month_is_asked_unless_a_day_shows_it(tmp_path, day, is_asked):
    rows = [f"T{i};{day:02d}/06/2025 08:{i:02d};F1;N;24.5" for i in ROWS]
    path = write_export(tmp_path / "t.csv", "Ticket;Weighed;Field;Factory;Delivered t", rows)
    questions = {q.key: q for q in proposal(path).questions}
    assert ("weighed_at.format" in questions) == is_asked
    if is_asked:
        assert "2025-06-05" in questions["weighed_at.format"].example
        assert "2025-05-06" in questions["weighed_at.format"].example


def test_two_dates_with_two_times_of_day_are_paired_by_their_words(tmp_path):
    rows = [f"T{i};13.10.2025;08:{i:02d};13.10.2025;07:{i:02d};F1;N;24.5" for i in ROWS]
    header = "Ticket;Einfahrt Datum;Einfahrt Zeit;Beladen Datum;Beladen Zeit;Schlag;Werk;Angeliefert t"
    found = sources(proposal(write_export(tmp_path / "t.csv", header, rows)))
    assert found["weighed_at"] == ["Einfahrt Datum", "Einfahrt Zeit"]
    assert found["left_field_at"] == ["Beladen Datum", "Beladen Zeit"]


def test_the_day_of_times_of_day_is_taken_from_above_the_header_or_the_file_name(tmp_path):
    rows = [f"M1;08:00:{i:02d};7.{i % 9}" for i in ROWS]
    header = "Machine;Time (UTC);Depth (cm)"
    above = proposal(write_export(tmp_path / "log.csv", f"Date: 07.10.2025\n\n{header}", rows))
    row = column(above, "logged_at").row
    assert (row["from"], row["format"]) == (["Time (UTC)"], "%d.%m.%Y %H:%M:%S")
    assert re.findall(row["preamble"], "Date: 07.10.2025") == ["07.10.2025"]
    named = column(proposal(write_export(tmp_path / "log_20251017.csv", header, rows)), "logged_at").row
    assert named["format"] == "%Y%m%d %H:%M:%S"
    assert re.findall(named["file_name"], "log_20251017.csv") == ["20251017"]


def test_a_day_above_the_header_that_may_be_a_month_is_asked_and_not_replaced_by_that_of_the_name(tmp_path):
    rows = [f"M1;08:00:{i:02d};7.{i % 9}" for i in ROWS]
    path = write_export(tmp_path / "log_20251025.csv", "Date: 07/10/2025\n\nMachine;Time (UTC);Depth (cm)", rows)
    (question,) = (q for q in proposal(path).questions if q.key == "logged_at.format")
    assert set(question.choices) == {"%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"}
    row = column(proposal(path, **{"logged_at.format": "%m/%d/%Y %H:%M:%S"}), "logged_at").row
    assert (row["format"], "preamble" in row, "file_name" in row) == ("%m/%d/%Y %H:%M:%S", True, False)


def test_a_date_without_a_word_for_it_above_the_header_leaves_the_day_open(tmp_path):
    rows = [f"M1;08:00:{i:02d};7.{i % 9}" for i in ROWS]
    path = write_export(tmp_path / "log_20251025.csv", "Export of 2025-10-29\n\nMachine;Time (UTC);Depth (cm)", rows)
    assert "logged_at.format" in asked(proposal(path))


def test_nothing_else_is_asked_while_the_encoding_is_open(tmp_path):
    rows = [f"T{i};2025-10-13 08:{i:02d};F{i % 3};Ørå;24.{i:02d}" for i in ROWS]
    path = write_export(tmp_path / "t.csv", "Ticket;Weighed;Field;Factory;Delivered", rows, "cp865")
    assert list(asked(proposal(path))) == ["encoding"]


def test_a_side_without_its_counterpart_is_asked_about(tmp_path):
    rows = [f"M1;2025-10-13T08:00:{i:02d}Z;7.{i % 9}" for i in ROWS]
    path = write_export(tmp_path / "l.csv", "Machine;Time;Share depth R (cm)", rows)
    assert "share_depth_cm" in asked(proposal(path))
    header = "Maszyna;Czas;Głębokość lemieszy L (cm);Głębokość lemieszy P (cm)"
    both = write_export(tmp_path / "b.csv", header, [f"{r};8.0" for r in rows])
    assert len(sources(proposal(both))["share_depth_cm"]) == 2
