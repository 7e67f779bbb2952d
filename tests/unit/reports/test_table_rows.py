"""HTML of table rows against the template that defines it."""

import datetime as dt

import pytest
from babel.dates import format_skeleton
from jinja2 import Environment, StrictUndefined

from reports.language.bidi import isolated
from reports.language.translate import local_date, local_number, locale, say
from reports.page.table_rows import table_rows
from reports.page.tables import Cell, Heading, Row, Table

DEFINITION = """\
{% macro marks(m) %}
{% for k, value in m.items() %} data-{{ k }}="{{ value }}"{% endfor %}{% if m %} data-filtered{% endif %}
{% endmacro %}
{% macro cell(c) %}
{% if c.href %}<a href="{{ c.href }}" title="{{ say("the loads behind it") }}">{% endif %}
{% if c.strong %}<strong>{{ c.text | bidi }}</strong>
{%- elif c.is_pale %}<span class="few">{{ c.text | bidi }}</span>
{%- else %}{{ c.text | bidi }}{% endif %}
{% if c.href %}</a>{% endif %}
{% endmacro %}
{% for r in t.rows %}<tr{{ marks(r.marks) }}>
{%- for c in r.cells %}{% set col = t.columns[loop.index0] %}
{% if loop.first %}<th scope="row">{{ cell(c) }}</th>
{%- else %}<td{% if not col.numeric %} class="text{% if col.wrap %} wrap{% endif %}"{% endif %} data-label="
{{- col.head }}">{{ cell(c) }}</td>{% endif %}{% endfor %}</tr>
{% endfor %}
"""


def by_template(table: Table) -> str:
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["bidi"] = isolated
    return environment.from_string(DEFINITION).render(t=table, say=say)


@pytest.mark.parametrize("text", ["F012", "a < b & \"c\" 'd'", "1.2 (0.3 to 2.1)", "שדה 3", "–", "\u2069x", ""])
def test_rows_are_those_of_the_template(text):
    columns = (Heading("Load & co"), Heading('"Field"', numeric=False), Heading("Note", numeric=False, wrap=True))
    cells = (Cell(text), Cell(text, href='page.html?a="1"&b=2'), Cell(text, strong=True), Cell(text, is_pale=True))
    rows = [Row((cells[i], cells[j], cells[k]), {"machine": text} if i else {}) for i, j, k in ((0, 1, 2), (3, 2, 0))]
    rows += [Row((cells[1],)), Row(())]
    table = Table("t", "name", columns, tuple(rows))
    assert [line.strip() for line in table_rows(table).split("\n")] == [
        line.strip() for line in by_template(table).split("\n")
    ]


def test_days_and_numbers_from_the_cache_are_those_of_the_library():
    day, moment = dt.date(2025, 10, 5), dt.datetime(2025, 10, 5, 23, 30, tzinfo=dt.UTC)
    east = moment.astimezone(dt.timezone(dt.timedelta(hours=2)))
    for at in (day, day, moment, east):
        assert local_date(at, "yMMMEd") == format_skeleton("yMMMEd", at, locale=locale()).replace("\u202f", " ")
    assert local_date(moment, "yMMMEd") != local_date(east, "yMMMEd")
    assert local_number("-1,234.5") == "\u22121,234.5"
