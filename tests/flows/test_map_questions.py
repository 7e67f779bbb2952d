"""Questions of `map` are asked in one go; guesses are accepted one by one or all at once."""

import io
import json

import pytest
from rich.console import Console

from flows.cli.mapping_questions import ask_all, ask_unplaced, open_questions, parse_answers
from tests.support.exports import ROWS, write_export
from tests.support.program import taretrace_here as taretrace
from transforms.config.workspace import init_workspace
from transforms.contracts.reason import reason
from transforms.errors import WorkspaceError
from transforms.ingest.propose.proposal import MappingQuestion, Proposal

ZONE = MappingQuestion("time_zone", reason("ask_time_zone"), guess="Europe/Berlin")
KIND = MappingQuestion("kind", reason("ask_kind"), ("load", "tare"), "load")
UNIT = MappingQuestion(
    "plot_m2.unit", reason("ask_unit", source="a", values=reason("no_values"), stored="m2"), ("m2", "are")
)


def typed(monkeypatch, *lines: str) -> Console:
    """Return a console whose person types some lines."""
    left = list(lines)

    def read() -> str:
        if not left:
            raise EOFError
        return left.pop(0)

    monkeypatch.setattr("builtins.input", read)
    return Console(file=io.StringIO())


def test_enter_accepts_a_guess_and_a_number_picks_a_choice(monkeypatch, catalogue):
    console = typed(monkeypatch, "", "2", "1")
    assert ask_all(console, [ZONE, KIND, UNIT], catalogue) == {
        "time_zone": "Europe/Berlin",
        "kind": "tare",
        "plot_m2.unit": "m2",
    }


def test_a_full_stop_accepts_all_further_guesses_but_units_are_still_asked_for(monkeypatch, catalogue):
    console = typed(monkeypatch, ".", "are")
    answers = ask_all(console, [KIND, ZONE, UNIT], catalogue)
    assert answers == {"kind": "load", "time_zone": "Europe/Berlin", "plot_m2.unit": "are"}


def test_columns_that_are_not_placed_are_ignored_unless_a_person_places_them(monkeypatch, catalogue):
    def offered(source: str) -> MappingQuestion:
        why = reason("ask_unplaced", source=source, examples="1, 2", ignore="ignore")
        return MappingQuestion(f"read.{source}", why, ("clean_t", "delivered_t", "ignore"), "ignore")

    plain = Proposal("load", {}, unread=["Plate"])
    assert ask_unplaced(typed(monkeypatch), [plain], catalogue) == {}
    proposal = Proposal("load", {}, optional=[offered("Wobble"), offered("Plate"), offered("c")], unread=["Wobble"])
    ignored = {"read.Wobble": "ignore", "read.Plate": "ignore", "read.c": "ignore"}
    assert ask_unplaced(typed(monkeypatch, "", "", ""), [proposal], catalogue) == ignored
    assert ask_unplaced(typed(monkeypatch, "1", "."), [proposal], catalogue) == {**ignored, "read.Wobble": "clean_t"}
    assert ask_unplaced(typed(monkeypatch, "delivered_t"), [proposal], catalogue)["read.Wobble"] == "delivered_t"


def test_an_answer_about_a_column_may_contain_an_equals_sign():
    assert parse_answers(["read.a=b=clean_t", "delivered_t=a=b"]) == {"read.a=b": "clean_t", "delivered_t": "a=b"}


def test_a_question_of_two_mappings_is_asked_once():
    both = [Proposal("load", {}, questions=[ZONE, KIND]), Proposal("tare", {}, questions=[ZONE])]
    assert [q.key for q in open_questions(both)] == ["time_zone", "kind"]


def test_an_answer_without_a_value_is_refused():
    with pytest.raises(WorkspaceError):
        parse_answers(["kind"])


def test_the_words_of_a_workspace_and_its_ids_are_known_to_map(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    (workspace.root / "lexicon.toml").write_text('[telemetry]\nshare_depth_cm = ["wobble arm"]\n')
    rows = [f"M1,2025-10-01T08:00:{i:02d}Z,7.{i % 9}" for i in ROWS]
    path = write_export(tmp_path / "log.csv", "machine,timestamp,Wobble arm (cm)", rows)
    ran = taretrace("map", path, "-w", workspace.root, "--json")
    assert ran.code == 0, ran.err
    result = json.loads(ran.out)
    assert result["rows"][0]["share_depth_cm"] == 7.0
    assert result["unplaced"] == []
    assert [m["kind"] for m in result["mappings"]] == ["telemetry"]
    (workspace.root / "lexicon.toml").write_text('concepts = "x"\n')
    refused = taretrace("map", path, "-w", workspace.root, "--json")
    assert refused.code == 2
    assert "lexicon.toml" in refused.err
