"""An encoding is taken without a question only if the letters speak clearly for it, and the right one is offered."""

import pytest

from tests.support.exports import ROWS, asked, proposal, write_export
from transforms.ingest.propose.code_pages import CODE_PAGES, is_possible_word, rank_code_pages
from transforms.ingest.propose.encoding import decode
from transforms.ingest.propose.lexicon import package_lexicon

TEXTS = [
    ("Ağırlık;Işıklı köy;Şube;Pancar ağzı;Çiftçi;Büyük;Tartım şefi", "cp1254"),
    ("Vægt;Tørstof;Sæson;Rød;Kørsel;Ålborg;Børge", "cp1252"),
    ("Vægt;Tørstof;Sæson;Rød;Kørsel;Ålborg;Børge", "cp850"),
    ("Fält;Kördag;Väder;Åker;Låda;Höjd", "cp1252"),
    ("Mérlegjegy;Gyűjtő;Sűrűség;Cukorrépa;Időpont;Répatermelő", "cp1250"),
    ("Mérlegjegy;Gyűjtő;Sűrűség;Cukorrépa;Időpont;Répatermelő", "cp852"),
    ("Greutate brută;Secţie;Fabrică;Înregistrat;Şofer;Câmp", "cp1250"),
    ("Sąrašas;Svėrimas;Žemė;Ūkis;Ąžuolas", "cp1257"),
    ("Αριθμός;Ημερομηνία;Χωράφι;Εργοστάσιο;Βάρος", "cp1253"),
    ("мымра;лялька;пурга;бабай;кукуха", "koi8-r"),
    ("мымра;лялька;пурга;бабай;кукуха", "cp1251"),
    ("їжак;лелека;грушевий;щавель;криївка", "cp1251"),
    ("Señal;Báscula;Camión;Límite;Año", "mac-roman"),
]


@pytest.mark.parametrize(("text", "encoding"), TEXTS)
def test_words_of_many_languages_that_the_vocabulary_lacks_show_the_encoding(text, encoding):
    found = decode(f"{text}\n".encode(encoding))
    assert found.question is None
    assert found.text == f"{text}\n"


@pytest.mark.parametrize(("text", "encoding"), [*TEXTS, ("Møller", "cp1252"), ("Tarla;Ölçü", "cp1254")])
def test_every_encoding_that_can_decode_a_file_is_ranked(text, encoding):
    data = text.encode(encoding)
    ranked = [r.encoding for r in rank_code_pages(data, package_lexicon())]
    assert encoding in ranked
    assert {"cp852", "cp866", "cp437"} <= set(ranked)


def test_one_word_that_several_languages_may_have_is_asked_about_with_a_line_in_each_encoding(tmp_path):
    rows = [f"T{i};2025-10-13 08:{i:02d};F{i % 3};Møl;24.{i:02d}" for i in ROWS]
    path = write_export(tmp_path / "t.csv", "Ticket;Weighed;Field;Factory;Delivered t", rows, "cp1252")
    (question,) = [q for q in proposal(path).questions if q.key == "encoding"]
    assert {"cp1252", "cp1250", "cp1251", "cp1253", "cp1254", "cp1257", "cp866"} <= set(question.choices)
    shown = question.why.columns["reason_args"]
    assert all(word in shown for word in ("Møl", "Mřl", "Mшl"))
    answered = proposal(path, encoding="cp1252")
    assert answered.layout["encoding"] == "cp1252"
    assert "encoding" not in asked(answered)


def test_an_encoding_that_cannot_decode_a_file_is_no_choice():
    found = decode(b"\x81\x8d;\x9d\x90\n")
    assert found.question is not None
    assert not {"cp1252", "cp1254", "utf-8"} & set(found.question[1])


def test_letters_that_encodings_share_give_the_usual_one_of_the_language():
    text = "Tömörkény répát mért\n"
    assert decode(text.encode("cp1250")).encoding == "cp1250"
    assert decode("Länge;Fläche\n".encode("cp1250")).encoding == "cp1252"


def test_a_damaged_byte_does_not_hide_utf_8():
    words = "Rübe;Länge;Größe;Früh;Grün;Mühle;Käfer;Höhe;Öl;Zähler;Straße;Löß"
    assert decode(f"{words}\n".encode() + b"x\xff\n").encoding == "utf-8"


def test_one_degree_sign_needs_no_question():
    found = decode("Temperature °C;Rain\n".encode("cp1252"))
    assert (found.encoding, found.question) == ("cp1252", None)


def test_utf_16_of_a_text_with_few_latin_letters_is_found_by_its_zeros():
    text = "накладная;дата;поле\nа;б;в\n"
    assert decode(text.encode("utf-16-le")).text == text
    assert decode(text.encode("utf-16-be")).text == text


def test_a_word_with_two_scripts_or_a_sign_inside_is_impossible():
    assert [is_possible_word(w) for w in ("GROẞE", "Şİ", "ΛΌΓΟΣ", "čís.", "24\u00a0t")] == [True] * 5
    assert [is_possible_word(w) for w in ("Gr№n", "сΑхар", "пОЛЕ", "λόγςος", "░C", "šīēāī", "Ì‰÷", "€‘")] == [False] * 8


def test_each_encoding_is_known_to_python():
    assert all("a".encode(e).decode(e) == "a" for e in CODE_PAGES)
