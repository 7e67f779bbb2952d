"""TOML text of a proposed mapping, with the reasons for each column as comments."""

import datetime as dt
import json
from collections.abc import Callable
from typing import Any

from transforms.config.toml_text import toml_comment
from transforms.contracts.reason import Reason, reason
from transforms.ingest.propose.proposal import Proposal


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, dt.datetime):
        return value.isoformat()
    if isinstance(value, dict):
        return (
            "{ " + ", ".join(f"{json.dumps(str(k), ensure_ascii=False)} = {_value(v)}" for k, v in value.items()) + " }"
        )
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    # A JSON string is a TOML basic string, except for the one control character that JSON does not escape.
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def mapping_text(proposal: Proposal, file: str, sentence_of: Callable[[Reason], str]) -> str:
    """Return the TOML text of a proposal.

    Args:
        proposal: the proposal.
        file: name of the file it was made from.
        sentence_of: function that returns the sentence of a reason.
    """

    def comment(why: Reason) -> str:
        return toml_comment(sentence_of(why))

    lines = [comment(reason("proposed_by_map", file=file)), *map(comment, proposal.reasons)]
    lines.append(f"kind = {_value(proposal.kind)}")
    lines += [f"{key} = {_value(value)}" for key, value in proposal.layout.items() if value is not None]
    for column in proposal.columns:
        lines += [
            "",
            comment(reason("column_sure", pct=100 * column.confidence, reasons=column.reasons)),
            f"[columns.{column.column}]",
        ]
        row = dict(column.row)
        if len(row.get("from", [])) == 1:
            row["from"] = row["from"][0]
        lines += [f"{key} = {_value(value)}" for key, value in row.items()]
    if proposal.unread:
        lines += ["", comment(reason("columns_not_read", columns=proposal.unread))]
    return "\n".join(lines) + "\n"
