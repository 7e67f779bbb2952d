"""Right-to-left ids are isolated on pages, and characters that force a direction are shown as their code."""

import re
from html import unescape

import fastexcel
import pypdf
import pytest

from reports.language.bidi import OVERRIDES, POP_ISOLATE, isolated, without_isolates
from reports.language.labels import join_names
from reports.language.translate import say, say_n
from reports.page.formats import OutputFormats
from reports.page.html import write_page
from reports.page.model import Card, Cards, Filters, Fold, LoadList, Page, Prose, Section
from reports.page.tables import Heading, Row, Table, text_cell

HEBREW, ARABIC = "\u05de\u05db\u05d5\u05e0\u05d4-12", "\u062d\u0642\u0644 7"
FORCED = "A\u202e21\u202cB"


@pytest.mark.parametrize("text", ["M01", "ÄÖ", "田-1", "Поле 3"])
def test_left_to_right_ids_stay_as_they_are(text):
    assert isolated(text) == text


@pytest.mark.parametrize("text", [HEBREW, ARABIC])
def test_right_to_left_ids_are_isolated_once(text):
    assert isolated(text) == f"\u2068{text}\u2069"
    assert isolated(isolated(text)) == isolated(text)
    assert without_isolates(isolated(text)) == text
    assert f"\u2068{text}\u2069" in say("{machine} in {field}", machine=text, field="F1")
    assert f"\u2068{text}\u2069" in say_n("{n} of {machine}", "{n} of {machine}", 2, machine=text)
    assert join_names([text, "M2"]).startswith(f"\u2068{text}\u2069, ")


def test_an_id_cannot_end_the_isolate_it_is_in():
    text = isolated(f"{POP_ISOLATE}{HEBREW}")
    assert text.count(POP_ISOLATE) == 1
    assert text.endswith(POP_ISOLATE)


def page_of(name: str) -> Page:
    """Return a page that shows an id in every kind of place."""
    table = Table(
        "t",
        say("loads of {machine}", machine=name),
        (Heading("Machine"), Heading("Field", numeric=False)),
        (Row((text_cell(name, f"#{name}"), text_cell("F1")), {"machine": name}),),
        "",
    )
    card = Card(name, "1.0", (say("field {field}", field=name),), (), (), {"machine": name}, "m-1")
    loads = LoadList(
        "l",
        (Heading("Load", numeric=False), Heading("Machine", numeric=False)),
        {"machine": 1},
        (("T1", name), ("T2", name), ("T3", name)),
        (None, None),
    )
    blocks = (
        Filters({"machine": ("Machine", ((name, name),))}),
        Prose(say("On {machine}.", machine=name)),
        table,
        Cards((card,)),
        Fold(isolated(name), (Prose("x"),)),
        loads,
    )
    return Page(
        say("Load {load}", load=name),
        "when",
        say("On {machine}.", machine=name),
        None,
        (Section("s", say("Passes of {field}", field=name), blocks),),
        ("end",),
    )


def seen(html: str) -> str:
    """Return the text between tags, without scripts."""
    return unescape(re.sub(r"<[^>]*>", "\n", re.sub(r"<(script|style).*?</\1>", "", html, flags=re.DOTALL)))


@pytest.mark.parametrize("name", [HEBREW, ARABIC])
def test_every_id_that_a_page_shows_is_isolated(tmp_path, name):
    html, pdf, book = write_page(page_of(name), tmp_path / "p.html", OutputFormats(pdf=True, xlsx=True))
    text = seen(html.read_text("utf-8"))
    assert text.count(name) >= 9
    assert text.count(f"\u2068{name}\u2069") == text.count(name)
    assert pypdf.PdfReader(pdf).pages
    sheets = fastexcel.read_excel(book)
    table = sheets.load_sheet(1, header_row=1).to_polars()
    assert table["Machine"].to_list() == [name]
    assert not any("\u2068" in s for s in sheets.sheet_names)
    about = sheets.load_sheet(0, header_row=None).to_polars()
    assert "\u2068" not in "".join(about.to_series(0).drop_nulls())


def test_no_character_that_forces_a_direction_reaches_a_page(tmp_path):
    html, pdf, book = write_page(page_of(FORCED), tmp_path / "p.html", OutputFormats(pdf=True, xlsx=True))
    text = html.read_text("utf-8")
    assert not {chr(c) for c in OVERRIDES} & set(text)
    assert "U+202E" in seen(text)
    assert "U+202E" in pypdf.PdfReader(pdf).pages[0].extract_text()
    assert fastexcel.read_excel(book).load_sheet(1, header_row=1).to_polars()["Machine"].to_list() == [FORCED]
