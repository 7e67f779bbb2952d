"""The notebook of the Python guide runs on the demo season, and shows the stored numbers."""

import ast
from pathlib import Path
from typing import Any

import nbformat
import polars as pl
import pytest

from tests.support.program import Demo
from transforms.storage.warehouse import Warehouse

NOTEBOOK = Path(__file__).parents[2] / "flows/api/season.ipynb"


def cells(demo: Demo) -> nbformat.NotebookNode:
    """The notebook, which opens the season of the tests."""
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    nbformat.validate(notebook)
    for cell in notebook.cells:
        cell.source = cell.source.replace("demo-season", demo.workspace.root.as_posix())
    return notebook


def run_cell(source: str, names: dict[str, Any]) -> Any:
    """Run a cell as a notebook does; return the value of its last expression."""
    tree = ast.parse(source)
    *others, last = tree.body
    if not isinstance(last, ast.Expr):
        exec(source, names)  # noqa: S102 - the project's own notebook
        return None
    exec(compile(ast.Module(others, []), "cell", "exec"), names)  # noqa: S102
    return eval(compile(ast.Expression(last.value), "cell", "eval"), names)  # noqa: S307


def test_the_cells_show_the_stored_numbers(demo: Demo, capsys):
    names: dict[str, Any] = {}
    shown = [run_cell(c.source, names) for c in cells(demo).cells if c.cell_type == "code"]
    printed = capsys.readouterr().out
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        loads, effects = warehouse.table("load_fact"), warehouse.table("effect")
    assert names["loads"].equals(loads)
    measured = loads.filter(pl.col("dirt_tare_pct").is_not_null(), pl.col("trace_quality") >= 0.5)
    means = measured.group_by("machine_id", maintain_order=True).agg(pl.col("dirt_tare_pct").mean())
    assert dict(names["by_machine"].select("machine_id", "mean_dirt_pct").iter_rows()) == pytest.approx(
        dict(means.iter_rows())
    )
    overall = effects.filter(
        pl.col("response") == "dirt_tare_pct", pl.col("wetness_class").is_null(), pl.col("soil_class").is_null()
    ).drop_nulls("change_pct")
    drawn = next(f for f in shown if isinstance(f, pl.DataFrame) and "change_pct" in f.columns)
    assert drawn["change_pct"].to_list() == overall["change_pct"].to_list()
    assert drawn.height > 3
    usual = dict(names["usual"].expected.select("quantity", "mean").iter_rows())
    assert 0 < usual["dirt_tare_pct"] < 100
    assert usual["saved_per_t"] == 0.0
    assert names["wetter"].conditions["topsoil_wetness"] == 0.9
    assert printed.count("\n") == 2
    assert names["usual"].caution in printed


def test_the_notebook_is_stored_without_outputs():
    # Outputs of another season would differ in every number, and hide the change that matters.
    stored = nbformat.read(NOTEBOOK, as_version=4)
    assert all(c.outputs == [] and c.execution_count is None for c in stored.cells if c.cell_type == "code")


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_the_notebook_runs_in_a_kernel(demo: Demo, monkeypatch):
    from nbclient import NotebookClient  # noqa: PLC0415

    monkeypatch.setenv("PYTHONPATH", f"{NOTEBOOK.parents[2]}:{NOTEBOOK.parents[1] / 'package'}")
    ran = NotebookClient(cells(demo), timeout=120, kernel_name="python3").execute()
    outputs = [c.outputs for c in ran.cells if c.cell_type == "code"]
    assert all(len(found) == 1 for found in outputs)
    texts = [found[0].get("text") or found[0].data["text/plain"] for found in outputs]
    assert [t.startswith("shape:") for t in texts] == [False, *[True] * 6, False, False]
