"""Summary of a run as Markdown: moves with their cautions, escaped names, addresses of pages."""

from pathlib import Path

import polars as pl
import pytest

from reports.run_markdown import escape_markdown, page_address, run_markdown
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Workspace, init_workspace
from transforms.contracts.reason import reason
from transforms.operations.publish import Publication, PublishFault
from transforms.storage.warehouse import Warehouse


@pytest.fixture
def workspace(tmp_path) -> Workspace:
    made = init_workspace(tmp_path / "season")
    toml = made.root / "season.toml"
    address = 'address = "https://pages.example.org/season/"'
    toml.write_text(toml.read_text().replace("[publish]", f'[publish]\nfolder = "{tmp_path}/site"\n{address}'))
    return made


def page_of(workspace: Workspace, name: str) -> Path:
    page = workspace.out / name
    page.parent.mkdir(parents=True, exist_ok=True)
    page.write_text("<title>x</title>")
    return page


def test_published_pages_are_linked_on_the_web_and_private_ones_are_not_named(workspace, tmp_path):
    page, sheet = page_of(workspace, "shift 1.html"), page_of(workspace, "growers/grower-G1.html")
    done = Publication(tmp_path / "site")
    assert page_address(page, workspace, done) == "https://pages.example.org/season/shift%201.html"
    assert "grower-G1" not in _with_advice(
        workspace, pl.DataFrame({"verdict": []}, schema={"verdict": pl.String}), sheet
    )
    assert page_address(page, workspace, None) == page.resolve().as_uri()
    fault = PublishFault("missing", reason("publish_folder_missing"), reason("publish_folder_missing_remedy"))
    assert page_address(page, workspace, Publication(tmp_path, fault=fault)) == page.resolve().as_uri()


def test_without_a_web_address_pages_are_linked_in_the_folder(workspace, tmp_path):
    toml = workspace.root / "season.toml"
    toml.write_text("\n".join(row for row in toml.read_text().splitlines() if not row.startswith("address")))
    page = page_of(workspace, "shift.html")
    assert page_address(page, Workspace(workspace.root), Publication(tmp_path / "site")) == (
        (tmp_path / "site" / "shift.html").resolve().as_uri()
    )


def test_moves_are_shown_with_cautions_and_ids_cannot_become_markup(workspace):
    page = page_of(workspace, "shift.html")
    with Warehouse(workspace.warehouse) as warehouse:
        empty = warehouse.table("advice").clear()
        filled = {"machine_id": "M_1 <img src=x>", "setting": "share_depth_cm", "verdict": "move"}
        numbers = {"from_value": 9.0, "to_value": 8.0, "move_number": 1}
        schema = {c: empty.schema[c] for c in (*filled, *numbers) if c in empty.schema}
        frame = pl.DataFrame([{c: v for c, v in {**filled, **numbers}.items() if c in schema}], schema=schema)
        rows = pl.concat([empty, frame], how="diagonal")
    shown = _with_advice(workspace, rows, page)
    assert CAUTION in shown
    assert "M\\_1 &lt;img" in shown
    assert "<img" not in shown
    assert "9" in shown
    assert "[shift.html](<file:" in shown


def _with_advice(workspace: Workspace, rows: pl.DataFrame, page: Path) -> str:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("reports.run_markdown.load_moves", lambda _: rows)
        return run_markdown(workspace, "**Completed**: fine", [reason("stale_tares", hours=50.0)], [page], None)


def test_a_run_without_pages_shows_no_moves(workspace):
    assert CAUTION not in run_markdown(workspace, "**Failed**", [], [], None)


def test_special_characters_are_escaped():
    assert escape_markdown("a|b\n[x](y)") == "a\\|b \\[x\\](y)"
