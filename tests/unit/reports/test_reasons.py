"""Reasons: every code of the computation has a message, every message a code, and arguments are inserted as typed."""

import ast
from collections.abc import Iterable, Iterator
from string import Formatter

import polars as pl
import pytest

from reports.language.reason_messages import AREAS, EARLIER, MESSAGES
from reports.language.reason_messages.proposal import MAPPING_FILE, QUESTIONS
from reports.language.reason_messages.trial import TRIAL_FILE
from reports.language.reason_text import format_reason, reason_text, with_reasons
from reports.language.translate import use_language
from transforms.config.settings_catalogue import load_catalogue
from transforms.contracts.reason import REASON_COLUMNS, combine_reasons, reason

ROOMS = ("transforms/", "flows/")


def texts_of(node: ast.expr) -> Iterator[str]:
    """Yield the texts that an expression may be: a constant, or the sides of a condition."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.IfExp):
        yield from texts_of(node.body)
        yield from texts_of(node.orelse)


def codes_in(trees: Iterable[ast.Module]) -> set[str]:
    """Every code that a call of `reason(...)` names, and every text of a module's `..._CODES` and `..._REASON`."""
    found = set()
    for tree in trees:
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id == "reason"
                and node.args
            ):
                found |= set(texts_of(node.args[0]))
            if (
                isinstance(node, ast.Assign)
                and isinstance(node.targets[0], ast.Name)
                and node.targets[0].id.endswith(("_CODES", "_REASON"))
            ):
                constants = [c.value for c in ast.walk(node.value) if isinstance(c, ast.Constant)]
                found |= {c for c in constants if isinstance(c, str)}
    return found


def test_every_code_has_a_message_and_every_message_a_code(sources):
    trees = [tree for name, tree in sources.items() if name.startswith(ROOMS)]
    assert sum(len(area) for area in AREAS.values()) == len(MESSAGES)  # no code in two areas
    assert codes_in(trees) == set(MESSAGES) - set(EARLIER)


@pytest.mark.parametrize("code", MESSAGES)
def test_a_message_is_a_phrase_with_named_fields(code):
    message = MESSAGES[code]
    for text in (message,) if isinstance(message, str) else (message.one, message.many):
        fields = [name for _, name, _, _ in Formatter().parse(text) if name is not None]
        assert all(name.isidentifier() for name in fields)
        assert code in {**QUESTIONS, **MAPPING_FILE, **TRIAL_FILE} or not text.endswith(".")


@pytest.fixture
def _messages(monkeypatch):
    own = {
        "n_of": "{n} of {many}, {ratio:.2f} times",
        "moved": "{setting} by {step:.1f} in {field_id}",
        "because": "{why}",
    }
    for code, message in own.items():
        monkeypatch.setitem(MESSAGES, code, message)


@pytest.mark.usefixtures("_messages")
def test_arguments_are_shown_by_their_type():
    why = reason("n_of", n=3, many=12345, ratio=0.5)
    assert format_reason(why) == "3 of 12,345, 0.50 times"
    with use_language("de-DE"):
        assert format_reason(why) == "3 of 12.345, 0,50 times"
    moved = reason("moved", setting="share_depth_cm", step=0.25, field_id="F{1}")
    assert format_reason(moved, load_catalogue()) == "share depth by 0.2 in F{1}"
    assert format_reason(combine_reasons([moved, why])) == "share depth by 0.2 in F{1}; 3 of 12,345, 0.50 times"
    assert format_reason(reason("because", why=why)) == "3 of 12,345, 0.50 times"
    assert reason_text(None, None) == ""
    assert format_reason(reason("n_of", n=1, many=2, ratio=float("nan"))) == "1 of 2, – times"


@pytest.mark.usefixtures("_messages")
def test_exports_add_the_sentence_after_the_code():
    rows = pl.DataFrame(
        [{"id": 1, **reason("n_of", n=1, many=2, ratio=3.0).columns, "n": 9}, {"id": 2, "n": 8}],
        schema={"id": pl.Int64, **REASON_COLUMNS, "n": pl.Int64},
    )
    out = with_reasons(rows)
    assert out.columns == ["id", "reason_code", "reason_args", "reason", "n"]
    assert out["reason"].to_list() == ["1 of 2, 3.00 times", None]
    assert with_reasons(rows.drop("reason_args")).columns == ["id", "reason_code", "n"]
