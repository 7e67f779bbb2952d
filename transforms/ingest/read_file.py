"""Reading of one file: telemetry is written to the lake; other rows and rejected rows are returned to the caller.

All parsing of untrusted files happens here, in a reader process (`isolated_read`); no warehouse is needed.
"""

from contextlib import ExitStack

import polars as pl

from transforms.errors import SourceFileError
from transforms.ingest.chunk import rejected_rows
from transforms.ingest.file_read import FileRead, IngestedFile, MappedRead, ReadJob
from transforms.ingest.mapping import Mapping
from transforms.ingest.read_plan import ReadPlan, Refusal, plan_reads
from transforms.ingest.readers.open import open_source
from transforms.ingest.row_collector import RowCollector, source_columns, validated_chunks
from transforms.ingest.row_spool import SpooledRows
from transforms.ingest.telemetry_writer import TelemetryWriter
from transforms.ingest.validate import Reader


class _UnreadableError(Exception):
    """Error of a file that one of its mappings cannot read."""

    def __init__(self, mapping: Mapping, problem: SourceFileError) -> None:
        self.mapping, self.problem = mapping, problem
        super().__init__(mapping, problem)


def read_file(job: ReadJob) -> FileRead:
    """Read a file through every mapping that fits it, and write its telemetry to the lake.

    A mapping that fits and fails later is refused with a reason; the others read the file.

    Raises:
        SourceFileError: no mapping can read the file.
    """
    plan = plan_reads(job.found, job.matches, job.catalogue)
    while True:
        try:
            return _read_planned(job, plan)
        except _UnreadableError as failure:
            job.onto.delete_source(job.found.sha)
            plan = plan.without(failure.mapping, failure.problem)
            if not plan.reads and len(plan.refused) == 1:
                raise failure.problem from None


def _read_planned(job: ReadJob, plan: ReadPlan) -> FileRead:
    """Read a file through the mappings of a plan.

    Raises:
        _UnreadableError: a mapping cannot read the file.
    """
    reads: list[MappedRead] = []
    with ExitStack() as stack:
        writer = None
        if any(m.kind == "telemetry" for m in plan.reads):
            writer = stack.enter_context(
                TelemetryWriter(job.onto, job.known, job.found.sha, set(job.recorded), set(job.rolled))
            )
        for mapping in plan.reads:
            try:
                reads.append(_read_mapped(job, mapping, writer if mapping.kind == "telemetry" else None, reads))
            except SourceFileError as problem:
                FileRead(reads).discard()
                raise _UnreadableError(mapping, problem) from problem
    out = FileRead([*reads, *(_refused_read(job, refusal) for refusal in plan.refused)])
    telemetry = [r.received for r in reads if r.received.kind == "telemetry"]
    if writer is not None:
        telemetry[0].spans = writer.spans
        out.files.extend(writer.files)
    out.reads[0].received.findings += plan.findings
    return out


def _read_mapped(
    job: ReadJob, mapping: Mapping, writer: TelemetryWriter | None, earlier: list[MappedRead]
) -> MappedRead:
    """Read a file through one mapping.

    Raises:
        SourceFileError: the mapping cannot read the file.
    """
    found = job.found
    received = IngestedFile(found.file, mapping.kind, mapping.name)
    source, reader = open_source(found.path, Reader(mapping, job.catalogue, found.path.name))
    received.header = source.header
    same = [r.rows for r in earlier if r.received.kind == mapping.kind and r.rows.height]
    rows = RowCollector(received, found, reader, same)
    try:
        for checked in validated_chunks(source, reader):
            rows.take(checked, writer)
    except SourceFileError:
        rows.rejected.finish().discard()
        raise
    accepted = pl.concat(rows.accepted) if rows.accepted else pl.DataFrame()
    return MappedRead(received, accepted, rows.rejected.finish())


def _refused_read(job: ReadJob, refusal: Refusal) -> MappedRead:
    """Return the single rejected row of a mapping that does not read the file."""
    name, kind = refusal.mapping.name, refusal.mapping.kind
    received = IngestedFile(job.found.file, kind, name, rows_in=1, rows_rejected=1, refused=refusal.why)
    row = rejected_rows([0], None, [""], refusal.rule, refusal.why)
    return MappedRead(received, pl.DataFrame(), SpooledRows([row.with_columns(**source_columns(job.found, name))]))
