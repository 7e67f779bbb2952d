"""Questions with allowed answers are pick lists on a terminal; elsewhere they are read as lines."""

import io

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput
from rich.console import Console

from flows.cli import mapping_questions
from flows.cli.mapping_questions import ask_all, ask_unplaced
from flows.cli.pick_list import can_pick, pick
from transforms.contracts.reason import reason
from transforms.ingest.propose.proposal import MappingQuestion, Proposal

DOWN, ENTER = "\x1b[B", "\r"
KIND = MappingQuestion("kind", reason("ask_kind"), ("load", "tare", "field"), "tare")
UNIT = MappingQuestion(
    "plot_m2.unit", reason("ask_unit", source="a", values=reason("no_values"), stored="m2"), ("m2", "are")
)


@pytest.fixture
def keys(monkeypatch):
    """A terminal of a person who presses the keys that are sent."""
    monkeypatch.setattr(mapping_questions, "can_pick", lambda _: True)
    with create_pipe_input() as pressed, create_app_session(input=pressed, output=DummyOutput()):
        yield pressed


@pytest.mark.parametrize(
    ("pressed", "answer"),
    [(ENTER, "tare"), (DOWN + ENTER, "field"), (DOWN * 2 + ENTER, "load"), ("loa" + ENTER, "load")],
)
def test_arrows_and_letters_pick_an_answer(keys, pressed, answer):
    keys.send_text(pressed)
    assert pick(KIND.key, KIND.choices, KIND.guess) == answer


def test_ctrl_c_stops(keys):
    keys.send_text("\x03")
    with pytest.raises(KeyboardInterrupt):
        pick(KIND.key, KIND.choices, KIND.guess)


def test_questions_with_choices_are_picked(keys, catalogue):
    keys.send_text(ENTER + DOWN + ENTER)
    assert ask_all(Console(file=io.StringIO()), [KIND, UNIT], catalogue) == {"kind": "tare", "plot_m2.unit": "are"}


def test_the_last_entry_accepts_all_further_guesses(keys, catalogue):
    keys.send_text(DOWN * 2 + ENTER)
    first = MappingQuestion("a", reason("ask_kind"), ("x", "y"), "x")
    assert ask_all(Console(file=io.StringIO()), [first, KIND], catalogue) == {"a": "x", "kind": "tare"}


def test_columns_that_are_not_placed_are_picked(keys, catalogue):
    why = reason("ask_unplaced", source="Wobble", examples="1, 2", ignore="ignore")
    offered = MappingQuestion("read.Wobble", why, ("clean_t", "delivered_t", "ignore"), "ignore")
    keys.send_text("deliv" + ENTER)
    proposal = Proposal("load", {}, optional=[offered], unread=["Wobble"])
    assert ask_unplaced(Console(file=io.StringIO()), [proposal], catalogue) == {"read.Wobble": "delivered_t"}


def test_without_a_terminal_there_is_no_pick_list():
    assert not can_pick(Console(file=io.StringIO()))
