"""Atheris on the parsers of task data: whatever the bytes, either rows or a SourceFileError.

Run by `tests/validation/test_fuzz.py`.
"""

import io
import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parents[2])]

with atheris.instrument_imports(include=["transforms.ingest.readers.iso11783"]):
    from transforms.ingest.readers.iso11783.container import Container
    from transforms.ingest.readers.iso11783.log_header import layout_of
    from transforms.ingest.readers.iso11783.task_data import read_task_data
    from transforms.ingest.readers.iso11783.time_log import read_records
    from transforms.ingest.readers.iso11783.xml import parse_xml

from defusedxml.ElementTree import fromstring

from tests.support.task_data import Value, log_header
from transforms.errors import SourceFileError

LAYOUT = layout_of(fromstring(log_header([Value(397), Value(52)], "ABD")))


def one(data: bytes) -> None:
    """The first byte says what the rest is."""
    what, body = data[:1], data[1:]
    try:
        if what == b"x":
            read_task_data(Container({"TASKDATA.XML": lambda: io.BytesIO(body)}), "TASKDATA.XML")
        elif what == b"h":
            layout_of(parse_xml(body, "TLG.XML")[0])
        else:
            records = list(read_records(io.BytesIO(body).read, LAYOUT, [0, 1]))
            taken = sum(int(r.head.size) * LAYOUT.head.itemsize + 5 * int(r.head["n"].sum()) for r in records)
            skipped = sum(gap[1] for r in records for gap in r.gaps)
            if taken + skipped != len(body):
                raise AssertionError(f"{taken} + {skipped} bytes are not {len(body)}")
    except SourceFileError:
        return


atheris.Setup(sys.argv, one)
atheris.Fuzz()
