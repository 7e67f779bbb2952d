"""Selection of the mappings that read a file: those whose columns and sheets are in it, without reading rows twice."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from glob import escape
from typing import NamedTuple

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import Reason, combine_reasons, reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import require_columns
from transforms.ingest.constant_ids import find_id_conflict
from transforms.ingest.inbox import InboxFile
from transforms.ingest.mapping import CORRECTIONS_PREFIX, Mapping
from transforms.ingest.mapping_match import is_narrower
from transforms.ingest.readers.open import open_source
from transforms.ingest.readers.workbook import SheetSurvey, survey_sheets
from transforms.ingest.validate import Reader

COLUMNS_IN_ROWS = {"parquet", "geojson", "ghcn_daily", "gpx"}
"""Formats whose columns are known only after the first rows are read."""
WHOLE = ""
"""Part of a file that is not a workbook."""


class Refusal(NamedTuple):
    """A mapping that fits a file and is not used: the rule, and its reason."""

    mapping: Mapping
    rule: str
    why: Reason


@dataclass(frozen=True)
class ReadPlan:
    """Mappings of a file.

    Attributes:
        reads: mappings that read it, each limited to the sheets that it reads.
        refused: mappings that fit it and do not read it.
        findings: sheets that no mapping reads, and mappings that match its name but do not fit it.
    """

    reads: tuple[Mapping, ...]
    refused: tuple[Refusal, ...] = ()
    findings: tuple[Reason, ...] = ()

    def without(self, mapping: Mapping, problem: SourceFileError) -> "ReadPlan":
        """Return the plan with a mapping that turned out unable to read the file."""
        reads = tuple(m for m in self.reads if m.name != mapping.name)
        return replace(self, reads=reads, refused=(*self.refused, Refusal(mapping, problem.rule, problem.reason)))


@dataclass(frozen=True)
class _Fit:
    """Fit of a mapping to a file.

    Attributes:
        mapping: the mapping.
        parts: the sheets with its columns, or `WHOLE`; empty if it does not fit.
        other_sheets: sheets that it names and whose columns it lacks.
        problem: the error if it does not fit.
    """

    mapping: Mapping
    parts: frozenset[str] = frozenset()
    other_sheets: frozenset[str] = frozenset()
    problem: SourceFileError | None = None


def plan_reads(found: InboxFile, matches: tuple[Mapping, ...], catalogue: Catalogue) -> ReadPlan:
    """Return the mappings that read a file.

    Args:
        found: the file.
        matches: every mapping that matches its name, at least one.
        catalogue: the machine settings of the workspace.

    Raises:
        SourceFileError: no mapping can read the file.
    """
    survey = _survey(found, matches)
    fits = [_fit(found, m, catalogue, survey, is_alone=len(matches) == 1) for m in matches]
    usable = [f for f in fits if f.problem is None]
    if not usable:
        raise _unfit([f.problem for f in fits if f.problem is not None], matches)
    chosen, refused = _choose(usable, found)
    others = {f.mapping.name: _parts_of([c for c in usable if c is not f]) for f in usable}
    reads = tuple(_limited(f, f.parts | (f.other_sheets - others[f.mapping.name]), survey) for f in chosen)
    is_corrections = found.path.name.startswith(CORRECTIONS_PREFIX)
    unfit = [] if is_corrections else [f for f in fits if f.problem is not None]
    return ReadPlan(reads, tuple(refused), (*_unread_sheets(survey, usable), *_unfit_findings(unfit)))


def _survey(found: InboxFile, matches: tuple[Mapping, ...]) -> SheetSurvey | SourceFileError | None:
    """Return the sheets of a workbook, or the error of a damaged one; None for another file."""
    books = [m for m in matches if m.form_of(found.path) == "sheet"]
    if not books:
        return None
    try:
        return survey_sheets(found.path, books)
    except SourceFileError as problem:
        return problem


def _fit(
    found: InboxFile,
    mapping: Mapping,
    catalogue: Catalogue,
    survey: SheetSurvey | SourceFileError | None,
    *,
    is_alone: bool,
) -> _Fit:
    """Return how a mapping fits a file; reading reports what the only mapping of a file lacks."""
    if mapping.form_of(found.path) == "sheet":
        return _Fit(mapping, problem=survey) if isinstance(survey, SourceFileError) else _fit_sheets(mapping, survey)
    if is_alone:
        return _Fit(mapping, frozenset({WHOLE}))
    if mapping.form_of(found.path) == "iso11783" and mapping.kind != "telemetry":
        return _Fit(mapping, problem=SourceFileError("missing_column", reason("task_data_is_telemetry")))
    if mapping.form_of(found.path) == "gpx" and mapping.kind != "truck_position":
        return _Fit(mapping, problem=SourceFileError("missing_column", reason("gpx_is_positions")))
    try:
        source, _ = open_source(found.path, Reader(mapping, catalogue, found.path.name))
        try:
            if mapping.form_of(found.path) in COLUMNS_IN_ROWS:
                chunk = next((c for read in source.pieces if (c := read()).cells.height), None)
                if chunk is not None:
                    require_columns(chunk.cells.columns, mapping)
        finally:
            source.close()
    except SourceFileError as problem:
        return _Fit(mapping, problem=problem)
    return _Fit(mapping, frozenset({WHOLE}))


def _fit_sheets(mapping: Mapping, survey: SheetSurvey | None) -> _Fit:
    lacking = survey.lacking[mapping.name] if survey is not None else {}
    parts = frozenset(sheet for sheet, column in lacking.items() if column is None)
    if parts:
        return _Fit(mapping, parts, frozenset(lacking) - parts)
    if not lacking:
        sheets = ", ".join(survey.names if survey is not None else ())[:200]
        why = reason("no_such_sheet", wanted=", ".join(mapping.sheets), sheets=sheets)
        return _Fit(mapping, problem=SourceFileError("no_such_sheet", why))
    why = reason("sheet_lacks_column", column=next(iter(lacking.values())))
    return _Fit(mapping, problem=SourceFileError("missing_column", why))


def _unfit(problems: list[SourceFileError], matches: tuple[Mapping, ...]) -> SourceFileError:
    """Return the error of a file that no mapping fits: the reasons of all of them."""
    first = problems[0]
    if all(p.reason == first.reason for p in problems):
        return first
    named = [
        reason("mapping_not_fitting", mapping=m.name, why=p.reason) for m, p in zip(matches, problems, strict=True)
    ]
    return SourceFileError(first.rule, combine_reasons(named))


def _choose(usable: list[_Fit], found: InboxFile) -> tuple[list[_Fit], list[Refusal]]:
    """Return the mappings that read the file, and those refused: no rows are read twice as one kind."""
    conflicts = {f.mapping.name: find_id_conflict(f.mapping, found.path.name) for f in usable}
    sound = [f for f in usable if conflicts[f.mapping.name] is None]
    chosen, refused = list[_Fit](), list[Refusal]()
    for kind in dict.fromkeys(f.mapping.kind for f in usable):
        own = [f for f in sound if f.mapping.kind == kind]
        separate = _separate(own, found)
        if separate is None:
            why = reason("mappings_overlap", mappings=[f.mapping.name for f in own], file_kind=kind)
            refused.append(Refusal(own[0].mapping, "mappings_overlap", why))
            continue
        chosen += separate
        left = (f.mapping for f in usable if f.mapping.kind == kind and f.parts - _parts_of(own))
        stated = ((m, conflicts[m.name]) for m in left)
        refused += [Refusal(m, "id_stated_for_all", conflict) for m, conflict in stated if conflict is not None][:1]
    return chosen, refused


def _separate(fits: list[_Fit], found: InboxFile) -> list[_Fit] | None:
    """Return mappings of one kind, each with the parts for which its pattern is the narrowest; None if two compete."""
    parts: dict[str, set[str]] = {f.mapping.name: set() for f in fits}
    for part in sorted(_parts_of(fits)):
        rivals = [f.mapping for f in fits if part in f.parts]
        first = [m for m in rivals if all(is_narrower(m, o, found.file) for o in rivals if o is not m)]
        if not first:
            return None
        parts[first[0].name].add(part)
    return [replace(f, parts=frozenset(parts[f.mapping.name])) for f in fits if parts[f.mapping.name]]


def _parts_of(fits: list[_Fit]) -> frozenset[str]:
    return frozenset[str]().union(*(f.parts for f in fits))


def _limited(fit: _Fit, sheets: frozenset[str], survey: SheetSurvey | SourceFileError | None) -> Mapping:
    """Return a mapping that reads only these sheets."""
    if WHOLE in sheets or not isinstance(survey, SheetSurvey):
        return fit.mapping
    named = tuple(escape(n) for n in survey.lacking[fit.mapping.name] if n in sheets)
    return replace(fit.mapping, sheets=named)


def _unread_sheets(survey: SheetSurvey | SourceFileError | None, usable: list[_Fit]) -> Iterator[Reason]:
    """Yield a finding for each filled sheet that no mapping names."""
    named = frozenset[str]().union(*(f.parts | f.other_sheets for f in usable))
    if isinstance(survey, SheetSurvey):
        yield from (reason("sheet_not_read", sheet=n) for n in survey.filled if n not in named)


def _unfit_findings(fits: list[_Fit]) -> Iterator[Reason]:
    for fit in fits:
        if fit.problem is not None:
            yield reason("mapping_not_fitting", mapping=fit.mapping.name, why=fit.problem.reason)
