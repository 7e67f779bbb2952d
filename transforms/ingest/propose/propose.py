"""Proposal of the mappings for an export, with reasons, confidence per column, and questions."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import reason
from transforms.contracts.source_tables import CONTRACTS, contract
from transforms.ingest.mapping_file import OWN_COLUMNS
from transforms.ingest.propose.file_pattern import files_pattern
from transforms.ingest.propose.kinds import (
    SIGNATURE,
    KindFit,
    fit_kind,
    guess_unmatched,
    is_sure,
    rank_kinds,
)
from transforms.ingest.propose.mapping_draft import MappingDraft
from transforms.ingest.propose.proposal import IGNORE, OPEN, SURE, Asker, ColumnProposal, Proposal
from transforms.ingest.propose.sniff import FormatGuess
from transforms.ingest.propose.table import ProposalContext, SourceTable, read_table
from transforms.ingest.propose.unplaced import ask_unplaced, placed_answers, sources_of

SECOND_KINDS = {"load": "tare", "tare": "load", "loss_audit": "root_check", "root_check": "loss_audit"}
"""Kinds of file that a row may contain together, such as a ticket with its lab result."""
SHARED = ("load_id", "machine_id", "field_id", "cancelled", "audited_at", "checked_at")
"""Columns that both kinds of a row read from the same column of the file. A revision is that of the first kind."""
OFFERED_PARTNERS = {"load", "tare"}
"""Kinds whose columns are offered for columns that are not placed, though no column shows the kind."""
OWN_OF_CHECKS = 2
"""Columns of its own that show an audit beside a root check, or the reverse: the two share most of their words."""
WHOLE_NAME = r"(.+)\.\w+$"
"""Pattern of a file name of which the part before the suffix is an id."""
MIN_TABLE = 0.4
"""A sheet of a workbook with several tables that fits no kind better than this is probably not needed."""


def propose(tables: list[FormatGuess], path: Path, context: ProposalContext, answers: dict[str, str]) -> list[Proposal]:
    """Return the proposed mappings of a file with their open questions, one per kind of rows.

    Args:
        tables: detected format of each table of the file.
        path: the file.
        context: knowledge beside the file.
        answers: question key -> answer.
    """
    answers = placed_answers(answers)
    if tables[0].form in OWN_COLUMNS:
        return [_self_described(tables[0], path, context)]
    ranked = []
    for sniffed in tables:
        table = read_table(sniffed, path, context, answers)
        ranked.append((table, rank_kinds(table, context)))
    chosen = _of_answered_kind(ranked, answers.get("kind"))
    has_prefix = len(chosen) > 1
    if has_prefix:
        needed = [r for r in chosen if answers.get(f"{r[0].sniffed.first_sheet}:kind") != IGNORE]
        chosen = needed or chosen[:1]
    out: list[Proposal] = []
    for table, fits in chosen:
        prefix = f"{table.sniffed.first_sheet}:" if has_prefix else ""
        out += _of_table(table, fits, context, Asker(answers, prefix))
    read = {name for table, _ in chosen for name in table.sniffed.sheets}
    unread = [name for sniffed in tables for name in sniffed.sheets if name not in read]
    for proposal in out:
        proposal.unread_sheets = [*unread, *tables[0].other_sheets]
    return _encoding_first(out)


def _encoding_first(proposals: list[Proposal]) -> list[Proposal]:
    """Keep only the question about the encoding while it is open, because names and words are not readable before."""
    for proposal in proposals:
        if any(q.key == "encoding" for q in proposal.questions):
            proposal.questions = [q for q in proposal.questions if q.key == "encoding"]
            proposal.optional = []
    return proposals


def _kind_first(proposals: list[Proposal], key: str) -> list[Proposal]:
    """Keep only the question about the kind of rows while it is open, because the columns depend on it."""
    for proposal in proposals:
        proposal.questions = [q for q in proposal.questions if q.key in {key, "encoding"}]
    return proposals


def _of_answered_kind(
    ranked: list[tuple[SourceTable, list[KindFit]]], kind: str | None
) -> list[tuple[SourceTable, list[KindFit]]]:
    """Return all tables of a file, or the best one for the kind if the user names one kind for the file."""
    if kind is None or len(ranked) == 1:
        return ranked
    scores = [max((f.score for f in fits if f.kind == kind), default=0.0) for _, fits in ranked]
    return [ranked[scores.index(max(scores))]]


def _of_table(table: SourceTable, fits: list[KindFit], context: ProposalContext, asker: Asker) -> list[Proposal]:
    """Return the mappings of one table: one, or two if its rows are of two kinds."""
    kind = asker.answer("kind")
    if kind is not None and kind not in CONTRACTS:
        left = [IGNORE] if asker.prefix and kind != IGNORE else []
        asker.again("kind", reason("ask_kind_again", name=kind), [*CONTRACTS, *left])
        return [Proposal("load", {}, questions=asker.questions)]
    if kind is None and not is_sure(table, fits, context):
        choices = [f.kind for f in fits] + [k for k in CONTRACTS if all(f.kind != k for f in fits)]
        if asker.prefix:
            why = reason("ask_kind_of_sheet", sheet=", ".join(table.sniffed.sheets), ignore=IGNORE)
            asker.ask("kind", why, [*choices, IGNORE], fits[0].kind if fits[0].score >= MIN_TABLE else IGNORE)
        else:
            asker.ask("kind", reason("ask_kind"), choices, fits[0].kind)
        # What the columns mean depends on the answer.
        limited = [_limited(p) for p in _of_kind(table, fits, fits[0], context, asker)]
        return _kind_first(limited, asker.full_key("kind"))
    fit = fits[0] if kind is None else next((f for f in fits if f.kind == kind), fit_kind(table, kind, context))
    proposals = _of_kind(table, fits, fit, context, asker)
    columns = {p.kind: list(contract(p.kind, context.catalogue).columns()) for p in proposals}
    partner = SECOND_KINDS.get(fit.kind, "")
    if partner in OFFERED_PARTNERS and partner not in columns:
        columns[partner] = sorted(SIGNATURE[partner])
    ask_unplaced(table, asker, proposals, columns)
    return proposals


def _limited(proposal: Proposal) -> Proposal:
    """Limit the confidence of the columns of a proposal whose kind is not settled."""
    for column in proposal.columns:
        column.confidence = min(column.confidence, OPEN)
    return proposal


def _of_kind(
    table: SourceTable, fits: list[KindFit], fit: KindFit, context: ProposalContext, asker: Asker
) -> list[Proposal]:
    """Return the mappings of one table whose rows are of a kind, and perhaps of its partner."""
    first = MappingDraft(table, fit, context, asker).proposal()
    second = _answered_partner(table, fit.kind, context, asker) or _second_fit(
        fits, fit.kind, first.sources(), context.catalogue
    )
    if second is None:
        whole = replace(fit, found=guess_unmatched(table, fit, context))
        return [MappingDraft(table, whole, context, asker).proposal()]
    taken = {c for c in first.sources() if c not in first.row_sources(SHARED)}
    found = {c: m for c, m in second.found.items() if c in SHARED or not taken & set(m.name.sources)}
    proposed = MappingDraft(table, replace(second, found=found), context, asker, taken).proposal()
    proposed.questions = []
    unread = [c for c in first.unread if c in proposed.unread]
    first.unread, proposed.unread = unread, []
    return [first, proposed]


def _answered_partner(table: SourceTable, kind: str, context: ProposalContext, asker: Asker) -> KindFit | None:
    """Return the fit of the partner kind if an answer places a column that only it has."""
    partner = SECOND_KINDS.get(kind, "")
    own = SIGNATURE.get(partner, set()) - set(contract(kind, context.catalogue).columns())
    is_placed = partner in OFFERED_PARTNERS and any(sources_of(asker.answer(c) or "", table.profiles) for c in own)
    return fit_kind(table, partner, context) if is_placed else None


def _second_fit(fits: list[KindFit], kind: str, used: set[str], catalogue: Catalogue) -> KindFit | None:
    """Return the other kind of a table's rows, if columns that the first cannot read show it."""
    fit = next((f for f in fits if f.kind == SECOND_KINDS.get(kind)), None)
    if fit is None:
        return None
    shared = contract(kind, catalogue).columns()
    signs = SIGNATURE[fit.kind] - set(shared)
    own = [m for c, m in fit.found.items() if c in signs and not used & set(m.name.sources)]
    if fit.kind == "tare" and "dirt_tare_pct" not in fit.found:
        return None
    least = 1 if fit.kind in {"load", "tare"} else OWN_OF_CHECKS
    return fit if sum(m.confidence >= SURE - 0.1 for m in own) >= least else None


def _self_described(sniffed: FormatGuess, path: Path, context: ProposalContext) -> Proposal:
    """Return the mapping of a format that defines its own columns."""
    kind = {"ghcn_daily": "weather_reading", "iso11783": "telemetry", "gpx": "truck_position"}[sniffed.form]
    layout: dict[str, Any] = {"files": [files_pattern(path, {})], "form": sniffed.form}
    if sniffed.form == "iso11783":
        layout["time_zone"] = context.zone
    why = [reason("format_defines_columns")]
    columns = [ColumnProposal(c, {"from": [r["from"]]}, SURE, why) for c, r in OWN_COLUMNS[sniffed.form].items()]
    if sniffed.form == "gpx" and not all(row[sniffed.columns.index("track")] for row in sniffed.rows):
        truck = next(c for c in columns if c.column == "truck_id")
        truck.row, truck.reasons = {"file_name": WHOLE_NAME}, [reason("track_without_name")]
    return Proposal(kind, layout, columns, unread=sniffed.columns, reasons=sniffed.reasons)
