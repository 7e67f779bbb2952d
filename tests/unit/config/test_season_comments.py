"""Comments of files that the program writes are in the language of the workspace, and the files read as in English."""

import datetime as dt
import re
import tomllib
from pathlib import Path

import pytest

from reports.language.reason_text import format_reason
from reports.language.translate import translated, use_language
from tests.support.program import taretrace_here
from tests.support.pseudo_language import bare, bracketed, bracketed_workspace, texts_of_catalogue
from transforms.config.season_comments import comment_texts, translate_comments
from transforms.config.season_writer import SeasonAnswers, season_text
from transforms.config.workspace import season_template
from transforms.trial.plan import Trial, read_trial, trial_toml

ANSWERS = SeasonAnswers(
    {"name": 'A "late" # season \\ n', "time_zone": "Europe/Berlin", "locale": "de-DE"},
    {"Nord": (50.0, 10.0), "unknown place": None},
    {"beet_per_t": 41.0},
)
KEPT = re.compile(r"#:schema.*|# (?=\w+ =)|#? *\[[^\n]*\]|# *$")
"""Comments that are code: the schema, keys and tables to be filled in."""


@pytest.fixture(scope="module")
def texts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A translation that encloses every text in brackets."""
    return bracketed(texts_of_catalogue(), tmp_path_factory.mktemp("text"), "de")


def english_comments(toml: str) -> list[str]:
    """Return the comments with words outside all brackets."""
    joined = re.sub(r"\n# (?!\w+ =|\[)", " ", KEPT.sub("", toml))
    comments = re.findall(r"#(.*)", re.sub(r'"(?:[^"\\\n]|\\.)*"', '""', bare(joined)))
    return [c for c in comments if re.search(r"[^\W\d_]{3}", c)]


def commented_out(toml: str) -> str:
    """Return a file whose keys that are comments are keys."""
    return re.sub(r"^# (?=\w+ = \S)", "", toml, flags=re.MULTILINE)


def test_comments_of_a_season_are_translated_and_its_keys_are_not(texts):
    english = season_text(ANSWERS)
    with use_language("de-DE", texts):
        german = translate_comments(english, translated)
    assert english_comments(english) != []
    assert english_comments(german) == []
    assert "⟦" in german
    for as_read in (str, commented_out):
        assert tomllib.loads(as_read(german)) == tomllib.loads(as_read(english))


def test_english_comments_change_only_where_lines_break():
    english = season_text(ANSWERS)
    assert translate_comments(english, str).replace("\n# ", " ").split() == english.replace("\n# ", " ").split()


def test_the_catalogue_has_every_comment_of_the_template():
    found = {m.id for m in texts_of_catalogue() if isinstance(m.id, str)}
    assert len(comment_texts(season_template())) > 40
    assert set(comment_texts(season_text(ANSWERS))) <= found


def test_a_translation_of_several_lines_stays_a_comment():
    toml = translate_comments("# About.\na = 1 # one\n", lambda text: f"{text}\nb = 2")
    assert tomllib.loads(toml) == {"a": 1}


@pytest.mark.parametrize("locale", ["de-DE", "fr-FR", "pl-PL"])
def test_init_writes_comments_in_the_language_of_the_season(tmp_path, locale):
    for folder, name in ((tmp_path / "own", locale), (tmp_path / "english", "en-GB")):
        assert taretrace_here("init", folder, "--yes", "--locale", name, "--json").code == 0
    own, english = (tomllib.loads((tmp_path / f / "season.toml").read_text("utf-8")) for f in ("own", "english"))
    assert own.pop("season") | {"locale": "en-GB"} == english.pop("season")
    assert own == english
    text = (tmp_path / "own" / "season.toml").read_text("utf-8")
    assert [c for c in comment_texts(season_template()) if f"# {c}" in text] == []


def test_comments_of_a_trial_are_translated(texts, tmp_path, catalogue):
    trial = Trial("T001", "M1", "F1", dt.date(2025, 10, 5), "share_depth_cm", (6.0, 7.0), ("A", "B"), 5.0, 0.8, 0.1)
    file = tmp_path / "T001.toml"
    with use_language("de-DE", texts):
        file.write_text(trial_toml(trial, catalogue, format_reason), "utf-8")
    assert english_comments(file.read_text("utf-8")) == []
    assert file.read_text("utf-8").count("⟦") >= 4
    assert read_trial(file, catalogue) == trial


def test_comments_of_a_mapping_are_translated(tmp_path):
    workspace = bracketed_workspace(tmp_path / "season")
    file = tmp_path / "tares.csv"
    rows = "".join(f"S{i},L{i},{7 + i / 10},{0.5 + i / 50},2025-10-05T10:{i:02d}:00Z\n" for i in range(30))
    file.write_text("sample_id,load_id,dirt_tare_pct,top_tare_pct,issued_at\n" + rows, "utf-8")
    assert taretrace_here("map", file, "-w", workspace.root, "--kind", "tare", "--no-ask", "--json").code == 0
    written = next(workspace.mappings.glob("*.toml")).read_text("utf-8")
    comments = [line for line in written.splitlines() if line.startswith("# ")]
    assert comments
    assert all(c.startswith("# ⟦") for c in comments)
    assert tomllib.loads(written)["kind"] == "tare"
