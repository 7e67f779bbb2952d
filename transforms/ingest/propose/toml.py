"""TOML text of a proposed mapping, with the reasons for each column as comments."""

import json
from typing import Any

from transforms.ingest.propose.proposal import Proposal


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, dict):
        return (
            "{ " + ", ".join(f"{json.dumps(str(k), ensure_ascii=False)} = {_value(v)}" for k, v in value.items()) + " }"
        )
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    # A JSON string is a TOML basic string, except for the one control character that JSON does not escape.
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    """Return text that is safe in a one-line comment."""
    return "".join(c if c.isprintable() else " " for c in text)


def mapping_text(proposal: Proposal, file: str) -> str:
    """Return the TOML text of a proposal.

    Args:
        proposal: the proposal.
        file: name of the file it was made from.
    """
    lines = [f"# Proposed by 'taretrace map' from {_comment(file)}; edit as needed."]
    lines += [f"# {_comment(reason)}" for reason in proposal.reasons]
    lines.append(f"kind = {_value(proposal.kind)}")
    lines += [f"{key} = {_value(value)}" for key, value in proposal.layout.items() if value is not None]
    for column in proposal.columns:
        lines += [
            "",
            f"# {column.confidence:.0%} sure: {_comment('; '.join(column.reasons))}",
            f"[columns.{column.column}]",
        ]
        row = dict(column.row)
        if len(row.get("from", [])) == 1:
            row["from"] = row["from"][0]
        lines += [f"{key} = {_value(value)}" for key, value in row.items()]
    if proposal.unread:
        lines += ["", f"# Columns not read: {_comment(', '.join(proposal.unread))}"]
    return "\n".join(lines) + "\n"
