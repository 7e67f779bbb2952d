"""Cards for the cab: one sheet per machine with its moves in large type and the usual cautions."""

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.language.labels import capital, conditions_label
from reports.language.move_phrases import is_increase, move_command, move_step, move_values
from reports.language.translate import say
from reports.page.summary import CabCard
from reports.sections.cautions import CAUTION
from reports.sections.parts_ahead import part_notes
from reports.sections.set_points import dialled, offset_words, sides_note
from reports.sections.shift_summary_data import ShiftSummaryData
from transforms.config.settings_catalogue import Catalogue


def _instructions() -> str:
    """Return how to make the moves, also from other values than those of the last shift."""
    order = say("From top to bottom. Look behind the machine after each change.")
    other_start = say(
        "If the machine starts from other values, change each by the same amount, but not past the value on this card."
    )
    return f"{order} {other_start}"


def cab_cards(data: ShiftSummaryData, catalogue: Catalogue, shown: DisplayUnits) -> tuple[CabCard, ...]:
    """Return one card per machine with advice, in order of worth."""
    cards = []
    for outcome in data.outcomes.iter_rows(named=True):
        own = data.advice.filter((pl.col("machine_id") == outcome["machine_id"]) & (pl.col("verdict") == "move"))
        moves, offsets = [], []
        for r in own.sort("move_number").iter_rows(named=True):
            to_set, offset = dialled(r, data.offsets)
            if offset is not None:
                words = offset_words(offset, catalogue, shown)
                offsets.append(
                    say("{difference}: the values on this card are those to set.", difference=capital(words))
                )
            if sides := sides_note(r, data.offsets, catalogue, shown):
                offsets.append(sides)
            before, after = move_values(to_set, catalogue, shown)
            command = move_command(r["setting"], is_up=is_increase(r), catalogue=catalogue)
            moves.append((command, before, after, move_step(to_set, catalogue, shown)))
        parts = part_notes(data.parts, str(outcome["machine_id"]), shown)
        settings = _instructions() if moves else say("Leave everything as it is.")
        note = " ".join([settings, *offsets, *parts])
        where = say(
            "Field {field} · {conditions}",
            field=outcome["field_id"],
            conditions=conditions_label(outcome["wetness_class"], outcome["soil_class"]),
        )
        cards.append(CabCard(str(outcome["machine_id"]), where, tuple(moves), note, say(CAUTION)))
    return tuple(cards)
