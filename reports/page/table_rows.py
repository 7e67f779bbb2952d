"""HTML of table rows.

Pages with lists of loads have thousands of cells; a macro of the template takes ten times as long for each.
"""

import re

from markupsafe import Markup, escape

from reports.language.bidi import isolated
from reports.language.translate import say
from reports.page.tables import Cell, Heading, Table

_SPECIAL = re.compile("[&<>'\"]")


def table_rows(table: Table) -> Markup:
    """Return the rows of a table: the first cell of each is its header, the others name their column for phones."""
    title = _escaped(say("the loads behind it"))
    link = f'" title="{title}">'
    starts = ['<th scope="row">', *(_start(c) for c in table.columns[1:])]
    lines = []
    for row in table.rows:
        marks = "".join(f' data-{_escaped(k)}="{_escaped(v)}"' for k, v in row.marks.items())
        cells = [f"{starts[i]}{_cell(c, link)}</{'td' if i else 'th'}>" for i, c in enumerate(row.cells)]
        lines.append(f"<tr{marks}{' data-filtered' if marks else ''}>{''.join(cells)}</tr>\n")
    return Markup("".join(lines))  # noqa: S704  every text is escaped above


def _start(column: Heading) -> str:
    """Return the opening tag of the cells of a column."""
    kind = "" if column.numeric else f' class="text{" wrap" if column.wrap else ""}"'
    return f'<td{kind} data-label="{_escaped(column.head)}">'


def _cell(cell: Cell, link: str) -> str:
    """Return the HTML inside a cell; `link` is the end of the opening tag of its link."""
    text = _escaped(isolated(cell.text))
    if cell.strong:
        text = f"<strong>{text}</strong>"
    elif cell.is_pale:
        text = f'<span class="few">{text}</span>'
    return f'<a href="{_escaped(cell.href)}{link}{text}</a>' if cell.href else text


def _escaped(text: str) -> str:
    """Return a text escaped for HTML, markup as it is."""
    return text if type(text) is str and _SPECIAL.search(text) is None else str(escape(text))
