"""Format and time zone of a proposed time: of one column, or of a date and a time of day."""

import datetime as dt
from dataclasses import replace

from transforms.contracts.reason import reason
from transforms.ingest.propose.elsewhere import day_outside
from transforms.ingest.propose.header import Name
from transforms.ingest.propose.profile import ColumnProfile
from transforms.ingest.propose.proposal import OPEN, SURE, Asker, ColumnProposal
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
        if len(proposed.row["from"]) == 2:
            form = self._joined(proposed) or form
        if form is None and profile.is_clock and self._with_day_outside(proposed, profile):
            self._set_zone(proposed, name, has_zone=False)
            return
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
        asked = next(
            (q for q in self.asker.questions if q.key.endswith(".format") and q.choices == tuple(choices)), None
        )
        others = [a for k, a in self.asker.answers.items() if k.endswith(".format") and a in choices]
        if asked is not None and self.asker.answer(key) is None:
            return
        answer = others[0] if others and self.asker.answer(key) is None else None
        proposed.row["format"] = answer or self.asker.ask(key, why, choices, form.format, example) or form.format
        proposed.confidence = min(proposed.confidence, OPEN if answer is None else SURE)

    def _joined(self, proposed: ColumnProposal) -> TimeForm | None:
        """Return the common format of a date and its time of day."""
        date, clock = proposed.row["from"]
        cells = zip(self.table.profiles[date].cells, self.table.profiles[clock].cells, strict=True)
        proposed.reasons.append(reason("date_and_clock", source=date, clock=clock))
        return detect_time_format([f"{a} {b}" for a, b in cells if a and b])

    def _with_day_outside(self, proposed: ColumnProposal, profile: ColumnProfile) -> bool:
        """Take the day of times of day from above the header or the file name; return True if it is there."""
        outside = day_outside(self.table.path.name, self.table.sniffed.preamble)
        if outside is None:
            return False
        form = detect_time_format([f"2025-10-17 {c}" for c in profile.filled])
        if form is None:
            return False
        clock = form.format.removeprefix("%Y-%m-%d ")
        days = [outside.form.format, *outside.form.rivals]
        proposed.row.update({**outside.given, "format": f"{days[0]} {clock}"})
        proposed.reasons.append(reason("times_have_form", form=proposed.row["format"]))
        proposed.confidence = min(proposed.confidence, SURE)
        if len(days) > 1:
            first, *others = (f"{day} {clock}" for day in days)
            dated = replace(profile, cells=tuple(f"{outside.text} {c}" for c in profile.filled))
            self._choose(proposed, replace(form, format=first, rivals=tuple(others)), dated)
        return True

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
            if answer is None:
                proposed.confidence = min(proposed.confidence, OPEN)


def _day(cell: str, form: str) -> str:
    """Return the date of a cell in a format; empty if it does not fit."""
    try:
        return dt.datetime.strptime(cell, form).date().isoformat()  # noqa: DTZ007
    except ValueError:
        return ""
