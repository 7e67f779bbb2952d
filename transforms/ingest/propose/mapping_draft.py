"""Draft of one mapping: matches settled by answers, arithmetic and order of times, then read column by column."""

import datetime as dt
from collections.abc import Collection
from dataclasses import replace
from typing import Any

import polars as pl

from transforms.contracts.reason import Reason, reason
from transforms.contracts.required_columns import needed_columns, unmet_groups
from transforms.contracts.source_tables import DEFAULTS, contract
from transforms.ingest.propose.columns import ColumnReader
from transforms.ingest.propose.constant_answer import parse_answer
from transforms.ingest.propose.dialect import ask_optional, ask_yield
from transforms.ingest.propose.elsewhere import id_in_file_name, id_in_preamble, is_certain_id
from transforms.ingest.propose.familiarity import demand, pieces
from transforms.ingest.propose.file_pattern import files_pattern
from transforms.ingest.propose.header import Name
from transforms.ingest.propose.kinds import KindFit
from transforms.ingest.propose.matching import Match
from transforms.ingest.propose.plausible import may_be_key
from transforms.ingest.propose.proposal import OPEN, SKIP, SURE, Asker, ColumnProposal, Proposal
from transforms.ingest.propose.table import ProposalContext, SourceTable
from transforms.ingest.propose.unplaced import sources_of
from transforms.ingest.propose.weights import ROLES, weight_roles

SETTLED, UNSETTLED = 0.97, 0.7
MAX_ISSUE_DELAY = dt.timedelta(days=10)
"""A ticket is issued at most this long after its weighing (common practice, no source)."""


class MappingDraft:
    """Builder of the proposal for one kind of rows of a table.

    Args:
        table: the table.
        fit: the kind of rows, and the matches of its columns.
        context: knowledge beside the file.
        asker: answers and open questions.
        taken: columns of the file that the other kind of its rows reads.
    """

    def __init__(
        self,
        table: SourceTable,
        fit: KindFit,
        context: ProposalContext,
        asker: Asker,
        taken: Collection[str] = (),
    ) -> None:
        self.taken = frozenset(taken)
        self.table, self.kind, self.context, self.asker = table, fit.kind, context, asker
        self.found = dict(fit.found)
        self.reasons: dict[str, list[Reason]] = {}
        self.reader = ColumnReader(table, context, asker)
        self.schema = contract(fit.kind, context.catalogue)

    def proposal(self) -> Proposal:
        """Return the proposal with its open questions."""
        layout = self._layout()
        self._doubt_unproved()
        if self.kind == "load":
            self._settle_weights()
            self._doubt_issue_date()
        if self.kind == "tare":
            self._sample_of_ticket()
        self._apply_answers()
        self._ask_doubtful()
        proposal = Proposal(self.kind, layout, questions=self.asker.questions, prefix=self.asker.prefix)
        proposal.reasons = self.table.sniffed.reasons
        for column in self.schema.columns():
            if column in self.found:
                name, confidence, phrase, _ = self.found[column]
                named = reason("your_answer") if phrase is None else reason("name_matches", phrase=phrase)
                why = self.reasons.get(column, [named])
                proposal.columns.append(self.reader.column(column, name, confidence, why))
        proposal.unread = self._free(proposal)
        ask_yield(proposal, self.table, self.asker)
        self._ask_needed(proposal)
        proposal.unread = self._free(proposal)
        ask_optional(proposal, self.context, self.asker)
        order = list(self.schema.columns())
        proposal.columns.sort(key=lambda c: order.index(c.column))
        rows = {c.column: c.row for c in proposal.columns}
        proposal.layout = {"files": [files_pattern(self.table.path, rows)], **proposal.layout}
        return proposal

    def _layout(self) -> dict[str, Any]:
        """Return the layout with the answers about it, and ask about uncertain keys."""
        layout = dict(self.table.sniffed.layout)
        for key, (why, choices, guess) in self.table.sniffed.unsure.items():
            answer = self.asker.ask(key, why, choices, guess)
            if answer is not None:
                layout[key] = answer
        decimal = self.asker.answer("decimal")
        if decimal and decimal != self.table.sniffed.layout.get("decimal"):
            layout.update(decimal=decimal, thousands=self.table.sniffed.layout.get("decimal"))
        if layout.get("separator") and layout["separator"] == layout.get("decimal"):
            layout["quoted"] = True
        return layout

    def _doubt_unproved(self) -> None:
        """Doubt matches with fewer independent pieces of evidence than the table demands."""
        least = demand(self.table).of_column
        for column, matched in self.found.items():
            if matched.confidence >= SURE and pieces(self.table, self.kind, column, matched) < least:
                self.found[column] = matched._replace(confidence=OPEN)

    def _settle_weights(self) -> None:
        """Replace the matches of weights by the roles that their values settle; else doubt them."""
        roles = weight_roles(self.table)
        settled = {s for r in roles.values() if r is not None for s in r.name.sources}
        for column in ROLES:
            role = roles.get(column)
            if role is not None:
                self.found[column] = Match(role.name, SETTLED if role.is_proved else OPEN, "")
                self.reasons[column] = [role.why]
                continue
            matched = self.found.get(column)
            if matched is None:
                continue
            if column in roles or settled & set(matched.name.sources):
                del self.found[column]
            elif not matched.name.has("delivered", "clean"):
                self.found[column] = matched._replace(confidence=min(matched.confidence, UNSETTLED))

    def _doubt_issue_date(self) -> None:
        """Doubt a date of issue long after the weighing, such as a date of payment, or before it."""
        issued, weighed = self.found.get("issued_at"), self.found.get("weighed_at")
        if issued is None:
            return
        forms = [None if m is None else self.table.profiles[m.name.sources[0]].time_form for m in (issued, weighed)]
        delay: Any = None
        if forms[0] is not None and forms[1] is not None and len(forms[0].read) == len(forms[1].read):
            delay = (forms[0].read.dt.date() - forms[1].read.dt.date()).cast(pl.Duration("us")).median()
        is_right = isinstance(delay, dt.timedelta) and dt.timedelta(0) <= delay <= MAX_ISSUE_DELAY
        if not is_right:
            self.found["issued_at"] = issued._replace(confidence=min(issued.confidence, UNSETTLED))

    def _sample_of_ticket(self) -> None:
        """Identify a lab result by its ticket if it has no number of its own and each ticket has one result.

        Another column of unique numbers may be the sample's, so it makes that uncertain.
        """
        ticket = self.found.get("load_id")
        if "sample_id" in self.found or ticket is None:
            return
        if self.table.profiles[ticket.name.sources[0]].is_unique:
            used = {s for m in self.found.values() for s in m.name.sources} | self.taken
            others = [c for c, p in self.table.profiles.items() if c not in used and may_be_key(p)]
            confidence = min(ticket.confidence, UNSETTLED) if others else ticket.confidence
            self.found["sample_id"] = Match(ticket.name, confidence, "", tuple(others))
            self.reasons["sample_id"] = [reason("one_sample_per_ticket")]

    def _apply_answers(self) -> None:
        """Apply answers that name file columns for a table column."""
        for column in self.schema.columns():
            answer = self.asker.answer(column)
            is_left = answer is None and self.asker.answer(f"{column}.unit") == SKIP
            if is_left or answer in {SKIP, "name"} or (answer or "").startswith("="):
                self.found.pop(column, None)
            sources = sources_of(answer or "", self.table.profiles)
            if not sources:
                continue
            for other, matched in list(self.found.items()):
                is_taken = not set(sources).isdisjoint(matched.name.sources)
                if other != column and is_taken and self.asker.answer(other) is None:
                    del self.found[other]
            self.found[column] = Match(self._named(column, sources), 1.0, None)
            self.reasons.pop(column, None)

    def _named(self, column: str, sources: tuple[str, ...]) -> Name:
        """Return the name of answered sources: that of a pair if the answer accepts a part of one that was proposed."""
        pair = next((n for n in self.table.names if len(n.sources) > 1 and sources[0] in n.sources), None)
        is_pair = pair is not None and column in self.found and self.found[column].name == pair
        if pair is not None and (set(sources) == set(pair.sources) or (len(sources) == 1 and is_pair)):
            return pair
        return replace(self.table.name_of(sources[0]), sources=sources)

    def _ask_doubtful(self) -> None:
        """Ask about every match below the line of confidence, with its rivals as choices."""
        used = {s for m in self.found.values() if m.confidence >= SURE for s in m.name.sources}
        for column, matched in self.found.items():
            is_answered = bool(sources_of(self.asker.answer(column) or "", self.table.profiles))
            if matched.confidence >= SURE or is_answered or self.asker.answer(f"{column}.unit") is not None:
                continue
            guess = matched.name.sources[0]
            source, shown = " / ".join(matched.name.sources), self.table.profiles[guess].examples
            named = {"source": source, "examples": shown, "column": column, "skip": SKIP}
            why = reason("ask_weight" if column in ROLES else "ask_match", **named)
            in_name = ["name"] if column == "machine_id" and id_in_file_name(self.table.path.name) else []
            free = self._by_use(used)
            self.asker.again(
                column, why, list(dict.fromkeys([guess, *matched.rivals, *in_name, *free, SKIP])), guess, shown
            )

    def _by_use(self, used: set[str]) -> list[str]:
        """Return the columns of the file, those that are not used first; a used one that is answered changes hands."""
        return sorted(self.table.sniffed.columns, key=lambda c: c in used)

    def _ask_needed(self, proposal: Proposal) -> None:
        """Take ids from the file's name or the lines above the header, and ask about other required columns."""
        have = {c.column for c in proposal.columns}
        needed = [c for c in needed_columns(self.schema) if c not in DEFAULTS]
        for column in self.schema.columns():
            if column not in have and (column in needed or (self.asker.answer(column) or "").startswith("=")):
                self._elsewhere(column, proposal)
        for first, *others in unmet_groups(self.kind, have):
            shown = ", ".join(" + ".join(alternative) for alternative in others)
            why = reason("ask_one_of", column=first[0], others=shown)
            self.asker.ask(first[0], why, self._by_use(proposal.sources()))

    def _free(self, proposal: Proposal) -> list[str]:
        used = proposal.sources()
        return [c for c in self.table.sniffed.columns if c not in used]

    def _elsewhere(self, column: str, proposal: Proposal) -> None:
        """Add a required column from outside the table, or ask for it."""
        answer = self.asker.answer(column)
        above = id_in_preamble(column, self.table.sniffed.preamble, self.context.lexicon)
        is_above = above is not None and answer == f"={above.value}"
        if answer and answer.startswith("=") and not is_above:
            constant = parse_answer(answer[1:], self.schema.columns()[column])
            row = {"value": constant}
            proposal.columns.append(ColumnProposal(column, row, 1.0, [reason("your_answer_for_file")]))
            return
        named = id_in_file_name(self.table.path.name) if column == "machine_id" else None
        known = self.context.known.get(column, frozenset())
        if above is not None and (answer is None or is_above):
            confidence = SETTLED if is_above or is_certain_id(above, named, known) else UNSETTLED
            why = [reason("in_preamble", value=above.value)]
            proposal.columns.append(ColumnProposal(column, {"preamble": above.pattern}, confidence, why))
            if confidence >= SURE:
                return
        if answer == "name" and named is not None:
            proposal.columns.append(
                ColumnProposal(column, {"file_name": named.pattern}, SETTLED, [reason("in_file_name")])
            )
            return
        times = [c for c in self._free(proposal) if self.table.profiles[c].time_form is not None]
        guess = "name" if named is not None else f"={min(known)}" if len(known) == 1 else ""
        guess = guess if above is None or named is not None else f"={above.value}"
        if column.endswith("_at") and len(times) == 1:
            guess = times[0]
        why_asked = (
            reason("ask_column_or_name", column=column, found=named.value)
            if named is not None
            else reason("ask_column", column=column)
        )
        self.asker.again(column, why_asked, [*(["name"] if named else []), *self._by_use(proposal.sources())], guess)
