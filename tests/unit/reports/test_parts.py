"""A page with every kind of block as HTML, PDF and workbook: values stay values, untrusted text stays text."""

import datetime as dt

import fastexcel
import polars as pl
import pypdf
import pytest
from pypdf.generic import DictionaryObject
from selenium.webdriver.common.by import By

from reports.charts.share_bars import share_bars
from reports.language.display_units import DisplayUnits, number
from reports.language.translate import use_language
from reports.page.formats import OutputFormats
from reports.page.html import write_page
from reports.page.model import (
    Card,
    Cards,
    Chart,
    Figure,
    Filters,
    Fold,
    LoadList,
    MoveCard,
    Page,
    Prose,
    Section,
    SmallMultiples,
)
from reports.page.tables import Heading, Row, Table, mean_cell, number_cell, text_cell
from tests.unit.reports.chromium import console_errors, opened, unfold
from transforms.arrays import narrow
from transforms.errors import WorkspaceError

EVIL = "<script>window.broken = 1</script><img src=x onerror='window.broken=1'>"
FORMULA = "=1+1"
BARS = pl.DataFrame({"label": [EVIL, "b"], "value": [1.25, 0.5], "lo": [1.0, 0.25], "hi": [1.5, 0.75]})


def page(text: str = EVIL) -> Page:
    table = Table(
        "t",
        f"table {text}",
        (Heading(text), Heading("Change"), Heading("Says", numeric=False, wrap=True)),
        (
            Row(
                (text_cell(FORMULA), number_cell(1234.5, 1, 1200.0, 1300.0, sign=True), text_cell(text)),
                {"machine": text},
            ),
            Row((text_cell("b"), mean_cell(None, None), text_cell(None))),
        ),
        text,
    )
    drawn = Figure("f", f"Finding {text}", text, share_bars(BARS, text, text), text, table)
    small = Figure("g", f"Small {text}", "", share_bars(BARS, text, text), text, None)
    loads = LoadList(
        "l",
        (Heading("Load", numeric=False), Heading("Machine", numeric=False), Heading("Dirt")),
        {"machine": 1},
        ((text, text, 1.5), ("b", "M", None)),
        (None, None, 1),
    )
    blocks = (
        Prose(text, (text, "#loads")),
        Prose(text, note=True),
        drawn,
        SmallMultiples((small,), table),
        Filters({"machine": (text, ((text, text),))}),
        Cards(
            (Card(text, text, (text,), (MoveCard(text, (text,)),), (Fold(text, (Prose(text),)),), {"machine": text}),)
        ),
    )
    return Page(text, text, text, text, (Section("s", text, blocks), Section("loads", text, (loads,))), (text,))


def test_hostile_text_is_inert_in_every_part(browser, tmp_path):
    path, *_ = write_page(page(), tmp_path / "p.html")
    assert "<script>window.broken" not in path.read_text()
    opened(browser, path, 1280)
    unfold(browser)
    assert browser.execute_script("return window.broken === undefined")
    assert EVIL in browser.find_element(By.TAG_NAME, "h1").text
    listed = browser.execute_script("return document.querySelector('#l tbody th').textContent")
    assert listed == EVIL
    browser.execute_script(
        "const s = document.querySelector('.filters select'); s.value = arguments[0];"
        "s.dispatchEvent(new Event('change', {bubbles: true}))",
        EVIL,
    )
    assert browser.execute_script("return document.querySelectorAll('#l tbody tr').length") == 1
    assert browser.execute_script("return window.broken === undefined")
    assert console_errors(browser) == []


def test_a_workbook_has_numbers_intervals_and_no_formula(tmp_path):
    *_, book = write_page(page("plain"), tmp_path / "p.html", OutputFormats(xlsx=True))
    sheets = fastexcel.read_excel(book)
    assert sheets.sheet_names == ["about", "table plain", "table plain 2", "loads"]
    rows = sheets.load_sheet("table plain", header_row=1).to_polars()
    assert rows.columns == ["plain", "Change", "low 95 %", "high 95 %", "Says"]
    assert rows.row(0) == (FORMULA, 1234.5, 1200.0, 1300.0, "plain")
    assert rows["Change"].dtype == pl.Float64
    assert sheets.load_sheet("loads").to_polars().row(0) == ("plain", "plain", 1.5)


def test_a_pdf_has_the_same_text_as_the_page(tmp_path):
    *_, path = write_page(page("plain #text[$x$]"), tmp_path / "p.html", OutputFormats(pdf=True))
    read = pypdf.PdfReader(path)
    text = " ".join(" ".join(p.extract_text() for p in read.pages).split())
    assert text.count("Finding plain #text[$x$]") == 1
    assert "+1,234.5 (1,200.0 to 1,300.0)" in text
    assert read.metadata is not None
    assert read.metadata.title == "plain #text[$x$]"
    assert narrow(read.root_object["/MarkInfo"], DictionaryObject)["/Marked"]  # tagged, for screen readers


def test_the_pdf_of_the_appendix_has_every_section(written):
    read = pypdf.PdfReader(written["season-appendix-pdf"])
    text = " ".join(" ".join(p.extract_text() for p in read.pages).split())
    for heading in (
        "What drove dirt tare",
        "The setting guide",
        "Savings with the guide",
        "The storage ledger",
        "Open questions",
        "Methods and data quality",
        "Prices and assumptions",
    ):
        assert heading in text
    assert "Engine off and key out" in text
    assert 8 <= len(read.pages) <= 40


def test_the_workbook_of_the_season_has_one_sheet_per_table(written, page_html):
    names = fastexcel.read_excel(written["season-xlsx"]).sheet_names
    assert len(names) == sum(page_html[n].count('<table class="stack"') for n in ("season", "season-appendix")) + 1
    assert {"cost of the season", "days of the season", "checks of the fits", "prices"} <= set(names)


def test_only_small_figures_lack_their_own_table():
    made = page()
    assert [f.id for f in made.figures] == ["f", "g"]
    assert len(made.tables) == 2
    inside = {f.id for b in made.walk() if isinstance(b, SmallMultiples) for f in b.blocks}
    assert {f.id for f in made.figures if f.table is None} == inside == {"g"}


def test_charts_that_share_a_specification_carry_it_once(page_html):
    for name in ("shift-machines", "season-appendix", "guide"):
        shared = page_html[name].count('data-shared="spec-')
        assert shared > 10
        assert page_html[name].count('<script type="application/json" id="spec-') <= 6


def test_an_empty_chart_is_replaced_by_its_sentence(tmp_path):
    table = Table("t", "nothing", (Heading("a"),), ())
    made = Page(
        "t", "w", "l", None, (Section("s", "S", (Figure("f", "Nothing is measured yet.", "", None, "x", table),)),), ()
    )
    path, *_ = write_page(made, tmp_path / "p.html")
    text = path.read_text()
    assert "Nothing is measured yet." in text
    assert 'class="chart"' not in text
    assert "vegaEmbed" not in text


def test_a_chart_stores_its_data_separately():
    chart = share_bars(BARS, "v", "d")
    assert isinstance(chart, Chart)
    assert "datasets" not in chart.spec
    assert chart.datasets["rows"] == BARS.with_row_index("nth").to_dicts()


@pytest.mark.parametrize(
    ("locale", "shown", "day", "month"),
    [
        ("en-GB", "−1,234.5", "Fri, 31 Oct 2025", "Oct"),
        ("en-US", "−1,234.5", "Fri, Oct 31, 2025", "Oct"),
        ("de-DE", "−1.234,5", "Fr., 31. Okt. 2025", "Okt"),
        ("cs-CZ", "−1\u00a0234,5", "pá 31. 10. 2025", "říj"),
    ],
)
def test_numbers_and_dates_follow_the_locale(locale, shown, day, month):
    from reports.language.translate import chart_locales  # noqa: PLC0415

    with use_language(locale):
        assert number(-1234.5, 1) == shown
        assert DisplayUnits("metric", "EUR", "UTC").day(dt.date(2025, 10, 31)) == day
        assert chart_locales()["time"]["shortMonths"][9].startswith(month)
        assert chart_locales()["time"]["shortDays"][0] in {"Sun", "So", "So.", "ne"}


def test_charts_write_days_in_the_locale_s_order():
    from reports.language.translate import chart_day  # noqa: PLC0415

    wanted = {"en-GB": "%-d %b", "en-US": "%b %-d", "de-DE": "%-d. %b", "cs-CZ": "%-d. %-m."}
    for locale, form in wanted.items():
        with use_language(locale):
            assert chart_day() == form
            assert chart_day(" %H:%M") == f"{form} %H:%M"


def test_an_unknown_locale_is_reported():
    with pytest.raises(WorkspaceError, match="the locale 'xx-QQ' is not known"), use_language("xx-QQ"):
        pass
