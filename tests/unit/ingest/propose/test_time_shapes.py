"""Shapes of time formats: a quick look excludes no format in which a text can be read."""

import datetime as dt

import polars as pl
import pytest

from transforms.ingest.propose.times import FORMS, _fits, _may_fit, detect_time_format

AT = dt.datetime(2025, 3, 9, 17, 5, 8, 120_000, dt.UTC)
EVERY = 37
"""Interval between the formats tried: a prime number, so that all dates, clocks, joints and zones are among them."""


def written(form: str) -> list[str]:
    """Return a time written in a format, also without leading zeros and with spaces around and inside."""
    text = AT.strftime(form.replace("%:z", "+02:00").replace("%z", "+0200").replace("%.f", ".12"))
    return [text, f" {text} ", text.replace("-", " - "), text.replace("/0", "/").replace(".0", "."), text.lower()]


@pytest.mark.parametrize("first", range(3))
def test_no_format_that_fits_is_excluded_by_its_shape(first):
    fitting = 0
    for form in FORMS[first::EVERY]:
        for text in written(form):
            for other in (form, *FORMS[first :: 10 * EVERY]):
                if _fits(pl.Series([text]), other) is not None:
                    assert _may_fit([text], other), (text, other)
                    fitting += 1
    assert fitting > len(FORMS) / EVERY


def test_a_few_unreadable_cells_do_not_hide_the_format():
    cells = [f"{day:02d}.10.2025 07:15" for day in range(1, 31)]
    for broken in ([], [9], [9, 20]):
        found = detect_time_format(["n/a" if n in broken else c for n, c in enumerate(cells)])
        assert (found.format if found else None) == (None if len(broken) > 1 else "%d.%m.%Y %H:%M")
