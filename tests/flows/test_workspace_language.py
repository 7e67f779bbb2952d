"""The language of a command is that of the workspace it opens, even if its settings are wrong."""

import json

import pytest

from flows.cli import app, decisions, ingest, maintenance, report, serve, tables, trial, vary
from flows.runtime.language import workspace_language
from reports.language.translate import locale
from tests.support.program import taretrace_here
from transforms.config.workspace import init_workspace, season_template


def workspace_in(tmp_path, spoken: str, more: str = "") -> str:
    text = (
        season_template().replace('locale = "en-GB"', f'locale = "{spoken}"').replace("[season]\n", f"[season]\n{more}")
    )
    return str(init_workspace(tmp_path / "w", text).root)


@pytest.mark.parametrize(
    ("spoken", "more", "expected"),
    [
        ("de-DE", "", "de"),
        ("de-DE", "colour = 3\n", "de"),  # an unknown key
        ("de-DE", "= broken\n", "en"),
        ("xx-QQ", "", "en"),
        ("fr-FR", "", "fr"),
    ],
)
def test_the_language_is_read_although_other_settings_are_wrong(tmp_path, spoken, more, expected):
    root = init_workspace(tmp_path / "w").root
    workspace_in(tmp_path / "other", spoken, more)
    (root / "season.toml").write_text((tmp_path / "other" / "w" / "season.toml").read_text("utf-8"), "utf-8")
    with workspace_language(root):
        assert locale().language == expected
    assert locale().language == "en"


def test_without_a_workspace_the_language_is_english(tmp_path):
    with workspace_language(tmp_path / "none"):
        assert locale().language == "en"


def test_doctor_reports_a_translation_that_cannot_be_read(tmp_path):
    root = workspace_in(tmp_path, "de-DE")
    (tmp_path / "w" / "text").mkdir()
    (tmp_path / "w" / "text" / "de.po").write_bytes(b'msgid "\xff"\nmsgstr "b"\n')
    findings = json.loads(taretrace_here("doctor", root, "--json").out)["findings"]
    (found,) = (f for f in findings if f["check"] == "language")
    assert (found["state"], "de.po" in found["remedy"]) == ("wrong", True)
    unknown = json.loads(taretrace_here("doctor", workspace_in(tmp_path / "b", "xx-QQ"), "--json").out)["findings"]
    assert [f["state"] for f in unknown if f["check"] == "language"] == ["wrong"]


def test_every_command_that_opens_a_workspace_gets_its_language_from_the_argument():
    import inspect  # noqa: PLC0415
    from typing import get_args  # noqa: PLC0415

    found = {}
    for module in (app, decisions, ingest, maintenance, report, serve, tables, trial, vary):
        for name, function in inspect.getmembers(module, inspect.isfunction):
            hints = inspect.get_annotations(function) if function.__module__ == module.__name__ else {}
            if "folder" in hints and get_args(hints["folder"]) and hasattr(get_args(hints["folder"])[1], "callback"):
                found[name] = get_args(hints["folder"])[1].callback is not None
    assert len(found) > 20
    assert all(found.values())
