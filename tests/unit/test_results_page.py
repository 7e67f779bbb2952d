"""Figures of RESULTS pages are replaced between the marks of their section alone."""

import re

import pytest

from tests.support.results_page import BENCHMARKS, VALIDATION, markdown_table, write_figures

PAGE = "# A\n\n<!-- one -->\nold\n<!-- end of one -->\n\nBetween.\n\n<!-- two -->\nkept\n<!-- end of two -->\n"


def test_only_the_section_is_replaced_and_names_date_and_commit(tmp_path):
    page = tmp_path / "RESULTS.md"
    page.write_text(PAGE)
    for seconds in ("1.0", "2.0"):
        write_figures(page, "one", markdown_table(["rows", "s"], [["5", seconds]]), "Two cores")
    text = page.read_text()
    assert text.count("| 5 | 2.0 |") == 1
    assert "1.0" not in text
    assert "old" not in text
    assert re.search(r"Measured \d{4}-\d\d-\d\d on commit [0-9a-f]{7,}", text)
    assert text.endswith("Between.\n\n<!-- two -->\nkept\n<!-- end of two -->\n")


def test_a_smaller_run_is_printed_and_leaves_the_page(tmp_path, capsys):
    page = tmp_path / "RESULTS.md"
    page.write_text(PAGE)
    write_figures(page, "one", ["new"], only_print=True)
    assert "new" in capsys.readouterr().out
    assert page.read_text() == PAGE


def test_a_page_without_the_section_is_an_error(tmp_path):
    page = tmp_path / "RESULTS.md"
    page.write_text(PAGE)
    with pytest.raises(ValueError, match="three"):
        write_figures(page, "three", [])
    assert page.read_text() == PAGE


ONCE = {"second offices set aside", "fourth group of offices"}
"""Sections that no script writes again: offices that nobody had seen can be measured once only."""
PAGES = pytest.mark.parametrize("page", [VALIDATION, BENCHMARKS], ids=["validation", "benchmarks"])


@PAGES
def test_every_section_of_a_page_is_closed(page):
    text = page.read_text("utf-8")
    opened = re.findall(r"<!-- (?!end of )(.+?) -->", text)
    assert opened == re.findall(r"<!-- end of (.+?) -->", text)
    assert len(opened) == len(set(opened))


@PAGES
def test_every_section_of_a_page_is_written_by_a_proof_or_a_benchmark(page):
    scripts = [p.read_text("utf-8") for folder in (VALIDATION, BENCHMARKS) for p in folder.parent.glob("*.py")]
    name = "VALIDATION" if page == VALIDATION else "BENCHMARKS"
    written = re.findall(rf'write_figures\(\s*{name},\s*"(.+?)"', "\n".join(scripts))
    sections = re.findall(r"<!-- (?!end of )(.+?) -->", page.read_text("utf-8"))
    assert sorted(written) == sorted(s for s in sections if s not in ONCE)
