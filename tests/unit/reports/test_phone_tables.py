"""Tables fit a phone, whatever their ids and texts are."""

from pathlib import Path

import pytest

from reports.page.html import write_page
from reports.page.model import Page, Section
from reports.page.tables import Heading, Row, Table, text_cell
from tests.unit.reports.chromium import evaluate, opened, overflow

LONG = {
    "sentence": "worth of a tonne of white sugar, for what is lost in the pile over all the days that it is stored",
    "id without a break": "LOAD" * 20,
    "right to left": "\u05de\u05db\u05d5\u05e0\u05d4 " * 12,
}
WIDER = "return [...document.querySelectorAll('table')].map(t => t.scrollWidth - t.parentElement.clientWidth)"


def page_of(folder: Path, text: str) -> Path:
    columns = (
        Heading("Load"),
        Heading("Field", numeric=False),
        Heading("Reason", numeric=False, wrap=True),
        Heading("n"),
    )
    rows = (Row((text_cell(text), text_cell(text), text_cell(text), text_cell("12.5 (10.1 to 14.9)"))),)
    section = Section("s", text, (Table("t", text, columns, rows, text),))
    return write_page(Page(text, text, text, text, (section,), (text,)), folder / "page.html")[0]


@pytest.mark.parametrize("kind", LONG)
def test_a_table_of_long_texts_is_not_wider_than_a_phone(browser, tmp_path, kind):
    opened(browser, page_of(tmp_path, LONG[kind]), 390)
    assert evaluate(browser, WIDER) == [0]
    assert overflow(browser) <= 0
