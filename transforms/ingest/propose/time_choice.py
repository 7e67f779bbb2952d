"""Format and time zone of a proposed time: of one column, or of a date and a time of day."""

import datetime as dt

from transforms.contracts.reason import reason
from transforms.ingest.propose.header import Name
from transforms.ingest.propose.profile import ColumnProfile
from transforms.ingest.propose.proposal import Asker, ColumnProposal
from transforms.ingest.propose.table import SourceTable
from transforms.ingest.propose.times import TimeForm, detect_time_format

ZONED_SERIALS = {"epoch_s", "epoch_ms"}


class TimeChooser:
    """Chooser of the formats of a table's times.

    Args:
        table: the table.
        zone: default time zone of times without an offset.
        asker: answers and open questions.
    """

    def __init__(self, table: SourceTable, zone: str, asker: Asker) -> None:
        self.table, self.zone, self.asker = table, zone, asker

    def set_format(self, proposed: ColumnProposal, name: Name) -> None:
        """Set the format and the zone of a time."""
        profile = self.table.profiles[proposed.row["from"][0]]
        form = profile.time_form
        key = f"{proposed.column}.format"
        if form is None and profile.serial_form is not None:
            proposed.row["format"] = self.asker.answer(key) or profile.serial_form
            proposed.reasons.append(reason("times_are_numbers", form=profile.serial_form))
            self._set_zone(proposed, name, has_zone=profile.serial_form in ZONED_SERIALS)
            return
        if form is None or not form.has_clock:
            form = self._with_partner(proposed, profile) or form
        if form is None:
            why = reason("ask_time_format", source=profile.column, examples=profile.examples)
            answer = self.asker.ask(key, why, example=profile.examples)
            proposed.confidence = min(proposed.confidence, 0.3)
            if answer is not None:
                proposed.row["format"] = answer
        else:
            proposed.row.setdefault("format", form.format)
            proposed.reasons.append(reason("times_have_form", form=proposed.row["format"]))
            if form.rivals:
                self._choose(proposed, form, profile)
        self._set_zone(proposed, name, has_zone=form is not None and form.utc)

    def _choose(self, proposed: ColumnProposal, form: TimeForm, profile: ColumnProfile) -> None:
        """Ask which of several formats is right, such as day or month first."""
        choices = [form.format, *form.rivals[:3]]
        why = reason("ask_time_rival", source=profile.column, examples=profile.examples)
        cell = next((c for c in profile.filled if len({_day(c, f) for f in choices}) > 1), profile.filled[0])
        example = "; ".join(f"{cell} = {_day(cell, f)}: {f}" for f in choices)
        key = f"{proposed.column}.format"
        asked = next((q for q in self.asker.questions if q.key.endswith(".format") and q.choices == tuple(choices)), None)
        others = [a for k, a in self.asker.answers.items() if k.endswith(".format") and a in choices]
        if asked is not None and self.asker.answer(key) is None:
            return
        answer = others[0] if others and self.asker.answer(key) is None else None
        proposed.row["format"] = answer or self.asker.ask(key, why, choices, form.format, example) or form.format
        proposed.confidence = min(proposed.confidence, 0.5)

    def _with_partner(self, proposed: ColumnProposal, profile: ColumnProfile) -> TimeForm | None:
        """Join a date with its time of day, or a time of day with its date; return their common format."""
        source = profile.column
        partner = self._partner(source, is_clock=not profile.is_clock)
        if partner is not None:
            date, clock = (partner, source) if profile.is_clock else (source, partner)
            cells = [self.table.profiles[c].cells for c in (date, clock)]
            both = detect_time_format([f"{a} {b}" for a, b in zip(*cells, strict=True) if a and b])
            if both is not None:
                proposed.row["from"] = [date, clock]
                proposed.reasons.append(reason("date_and_clock", source=date, clock=clock))
                return both
        return None

    def _partner(self, source: str, *, is_clock: bool) -> str | None:
        """Return the other half of a time: the column with the most common words, else the nearest."""
        own = self.table.name_of(source)
        columns = self.table.sniffed.columns
        words = {t.text for t in own.tokens}

        def is_half(p: ColumnProfile) -> bool:
            return p.is_clock if is_clock else p.time_form is not None and not p.time_form.has_clock

        halves = [c for c in columns if c != source and is_half(self.table.profiles[c])]
        at = columns.index(source)
        return min(
            halves,
            key=lambda c: (-len(words & {t.text for t in self.table.name_of(c).tokens}), abs(columns.index(c) - at)),
            default=None,
        )

    def _set_zone(self, proposed: ColumnProposal, name: Name, *, has_zone: bool) -> None:
        zones = [self.table.name_of(s).zone for s in proposed.row["from"]]
        stated = name.zone or next((z for z in zones if z is not None), None)
        if has_zone:
            proposed.row["time_zone"] = "UTC"
            proposed.reasons.append(reason("times_have_zone"))
        elif stated is not None:
            proposed.row["time_zone"] = stated
            proposed.reasons.append(reason("zone_of_column_name", zone=stated))
        else:
            profile = self.table.profiles[proposed.row["from"][0]]
            answer = self.asker.ask("time_zone", reason("ask_time_zone"), guess=self.zone, example=profile.examples)
            proposed.row["time_zone"] = answer or self.zone


def _day(cell: str, form: str) -> str:
    """Return the date of a cell in a format; empty if it does not fit."""
    try:
        return dt.datetime.strptime(cell, form).date().isoformat()  # noqa: DTZ007
    except ValueError:
        return ""
