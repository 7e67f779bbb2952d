"""Workbooks whose cells lie where no sheet has any, or far from all others, are rejected before they are loaded."""

import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from tests.support.taking import Taken, take
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.readers import workbook_bounds
from transforms.ingest.readers.sheet_extent import Extent, cell_name, exact_extent, quick_extent

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
LINKS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
START = '<?xml version="1.0" encoding="UTF-8"?>'
TYPES = (
    f'{START}<Types xmlns="{PACKAGE}/content-types"><Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/></Types>'
)
TARE = {
    "kind": "tare",
    "files": ["*"],
    "columns": {"sample_id": {"from": "S"}, "load_id": {"from": "L"}, "dirt_tare_pct": {"from": "D", "unit": "pct"}},
}


def text(place: str, value: str) -> str:
    at = f' r="{place}"' if place else ""
    return f'<c{at} t="inlineStr"><is><t>{value}</t></is></c>'


HEAD = f'<row r="1">{text("A1", "S")}{text("B1", "L")}{text("C1", "D")}</row>'
ROW = f'<row r="2">{text("A2", "s1")}{text("B2", "t1")}<c r="C2"><v>6.5</v></c></row>'


def workbook(path: Path, rows: str, *, above: str = "", strings: str = "", sheets: int = 1, start: str = START) -> Path:
    """Write a workbook by hand, every sheet of the same cells."""
    named = "".join(f'<sheet name="Lab {n}" sheetId="{n}" r:id="r1"/>' for n in range(1, sheets + 1))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", TYPES)
        archive.writestr(
            "_rels/.rels",
            f'{START}<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="r1" '
            f'Type="{LINKS}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        archive.writestr(
            "xl/workbook.xml",
            f'{START}<workbook xmlns="{MAIN}" xmlns:r="{LINKS}"><sheets>{named}</sheets></workbook>',
        )
        archive.writestr(
            "xl/_rels/workbook.xml.rels",
            f'{START}<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="r1" Type="{LINKS}/worksheet" '
            f'Target="worksheets/sheet1.xml"/><Relationship Id="r2" Type="{LINKS}/sharedStrings" '
            'Target="sharedStrings.xml"/></Relationships>',
        )
        archive.writestr(
            "xl/worksheets/sheet1.xml",
            f'{start}<worksheet xmlns="{MAIN}">{above}<sheetData>{rows}</sheetData></worksheet>',
        )
        if strings:
            archive.writestr("xl/sharedStrings.xml", f'{START}<sst xmlns="{MAIN}" {strings}</sst>')
    return path


def taken(path: Path, catalogue, **more) -> Taken:
    return take(path, parse_mapping({**TARE, **more}, "m", catalogue, "test"), catalogue)


def rule(out: Taken) -> str:
    (only,) = out.rejected["rule"].to_list()
    assert (out.received.rows_in, out.received.rows_rejected) == (1, 1)
    return only


FAR = [("XFD1048576", "XFD1048576"), ("E1048576", "E1048576"), ("XFD3000", "XFD3000")]


@pytest.mark.parametrize(("far", "named"), FAR)
def test_a_stray_far_cell_rejects_the_file_and_is_named(tmp_path, catalogue, far, named):
    number = "".join(c for c in far if c.isdigit())
    path = workbook(tmp_path / "t.xlsx", f'{HEAD}{ROW}<row r="{number}"><c r="{far}"><v>1</v></c></row>')
    out = taken(path, catalogue)
    assert rule(out) == "stray_cell"
    ((code, args),) = out.reasons
    assert (code, args["sheet"], args["cell"]) == ("stray_cell", "Lab 1", named)


@pytest.mark.parametrize(
    "cell",
    [
        '<c r="A99999999999">',
        '<c r="XFE2">',
        '<c r="ZZZZ2">',
        '<c r="ZZZZZZZZZZZZ2">',
        '<c r="A0">',
        '<c r="A">',
        '<c r="7">',
        '<c r="A1048577">',
        '<c r="">',
        "<c r='\u00c42'>",
    ],
)
def test_an_impossible_reference_rejects_the_file(tmp_path, catalogue, cell):
    path = workbook(tmp_path / "t.xlsx", f'{HEAD}{ROW}<row r="3">{cell}<v>1</v></c></row>')
    out = taken(path, catalogue)
    assert rule(out) == "impossible_cell"
    ((_, args),) = out.reasons
    assert args["sheet"] == "Lab 1"


@pytest.mark.parametrize("row", ["99999999999", "x", "0", "4294967295", "-1"])
def test_an_impossible_row_rejects_the_file(tmp_path, catalogue, row):
    path = workbook(tmp_path / "t.xlsx", f'{HEAD}{ROW}<row r="{row}"><c><v>1</v></c></row>')
    assert rule(taken(path, catalogue)) == "impossible_cell"


@pytest.mark.parametrize("extent", ["hello", "A99999999999:B2"])
def test_an_extent_that_is_none_rejects_the_file(tmp_path, catalogue, extent):
    path = workbook(tmp_path / "t.xlsx", HEAD + ROW, above=f'<dimension ref="{extent}"/>')
    assert rule(taken(path, catalogue)) == "impossible_cell"


@pytest.mark.parametrize("extent", ["A1:XFD1048576", "C9:A1", "A1"])
def test_an_extent_that_is_wrong_does_no_harm(tmp_path, catalogue, extent):
    path = workbook(tmp_path / "t.xlsx", HEAD + ROW, above=f'<dimension ref="{extent}"/>')
    assert taken(path, catalogue).accepted["dirt_tare_pct"].to_list() == [6.5]


def test_rows_and_cells_without_references_are_counted_on(tmp_path, catalogue):
    head, row = "".join(text("", t) for t in "SLD"), "".join(text("", t) for t in ("s1", "t1"))
    rows = f"<row>{head}</row><row>{row}<c><v>6.5</v></c></row>"
    assert taken(workbook(tmp_path / "t.xlsx", rows), catalogue).accepted["dirt_tare_pct"].to_list() == [6.5]
    far = workbook(tmp_path / "u.xlsx", f'{rows}<row r="1000000">{"<c/>" * 20}<c><v>1</v></c></row>')
    out = taken(far, catalogue)
    assert rule(out) == "stray_cell"
    assert out.reasons[0][1]["cell"] == "U1000000"


def test_far_cells_without_a_value_are_nothing(tmp_path, catalogue):
    path = workbook(tmp_path / "t.xlsx", f'{HEAD}{ROW}<row r="1048576"><c r="XFD1048576" s="0"/><c r="XFC9"></c></row>')
    assert taken(path, catalogue).accepted["dirt_tare_pct"].to_list() == [6.5]


def test_a_stray_cell_in_a_sheet_that_is_not_read_does_no_harm(tmp_path, catalogue):
    path = tmp_path / "t.xlsx"
    with xlsxwriter.Workbook(path) as book:
        page, other = book.add_worksheet("Lab"), book.add_worksheet("Notes")
        for i, row in enumerate([["S", "L", "D"], ["s1", "t1", 6.5]]):
            page.write_row(i, 0, row)
        other.write(1_048_575, 16_383, "x")
    assert taken(path, catalogue, sheet="Lab").accepted["dirt_tare_pct"].to_list() == [6.5]
    out = taken(path, catalogue, sheet="*")
    assert rule(out) == "stray_cell"
    assert out.reasons[0][1]["sheet"] == "Notes"


def test_more_sheets_or_cells_than_any_workbook_has(tmp_path, catalogue, monkeypatch):
    many = workbook(tmp_path / "many.xlsx", HEAD + ROW, sheets=1001)
    assert rule(taken(many, catalogue, sheet="*")) == "too_many_sheets"
    monkeypatch.setattr(workbook_bounds, "MAX_GRID_CELLS", 10)
    large = workbook(tmp_path / "large.xlsx", HEAD + ROW, sheets=2)
    assert taken(large, catalogue).received.rows_accepted == 1
    assert rule(taken(large, catalogue, sheet="*")) == "too_large"


def test_texts_that_are_claimed_or_named_and_are_not_there(tmp_path, catalogue):
    claims = workbook(tmp_path / "a.xlsx", HEAD + ROW, strings='uniqueCount="99999999999"><si><t>a</t></si>')
    assert rule(taken(claims, catalogue)) == "not_a_workbook"
    names = workbook(tmp_path / "b.xlsx", '<row r="1"><c r="A1" t="s"><v>9</v></c></row>', strings="><si><t>a</t></si>")
    assert rule(taken(names, catalogue)) == "sheet_unread"
    fewer = workbook(tmp_path / "c.xlsx", HEAD + ROW, strings='uniqueCount="1"><si><t>a</t></si>')
    assert taken(fewer, catalogue).received.rows_accepted == 1


def test_a_document_type_in_a_sheet(tmp_path, catalogue):
    start = START + '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
    assert rule(taken(workbook(tmp_path / "t.xlsx", HEAD + ROW, start=start), catalogue)) == "xml_doctype"


def extents(path: Path) -> tuple[Extent | None, Extent]:
    with zipfile.ZipFile(path) as archive:
        member = archive.getinfo("xl/worksheets/sheet1.xml")
        return quick_extent(archive, member), exact_extent(archive, member, "S")


def test_the_quick_scan_and_the_parser_find_the_same_extent(tmp_path, monkeypatch):
    monkeypatch.setattr("transforms.ingest.readers.sheet_extent.BLOCK_BYTES", 997)
    path = tmp_path / "t.xlsx"
    with xlsxwriter.Workbook(path) as book:
        page = book.add_worksheet("S")
        for row in range(0, 300, 3):
            page.write_row(row, 1, [row, "text", 2.5])
        page.write(17, 900, "far")
    quick, exact = extents(path)
    assert quick == exact
    assert (exact.filled, exact.lowest, exact.rightmost) == (301, (298, 2), (18, 901))


@pytest.mark.parametrize(
    "cell",
    [
        "<c t='>' r=\"XFD9\">",
        '<c x=\'r="A1"\' r="XFD9">',
        "<x:c xmlns:x='y' r=\"XFD9\">",
        '<c\nr="XFD9">',
        '<!-- --><c r="XFD9">',
    ],
)
def test_a_cell_that_hides_from_the_quick_scan_is_left_to_the_parser(tmp_path, cell):
    name = "x:c" if "x:c" in cell else "c"
    quick, exact = extents(workbook(tmp_path / "t.xlsx", f'{ROW}<row r="9">{cell}<v>1</v></{name}></row>'))
    assert quick is None
    assert exact.rightmost == (9, 16_384)


def test_names_of_cells():
    assert [cell_name(1, n) for n in (1, 26, 27, 702, 703, 16_384)] == ["A1", "Z1", "AA1", "ZZ1", "AAA1", "XFD1"]
