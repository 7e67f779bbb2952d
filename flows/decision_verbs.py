"""Verbs around what to do: benchmark, piles."""

import json
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer
from rich.console import Console

from flows.shown import show
from flows.trial_verbs import trial_app
from transforms.benchmark.benchmark import anonymous
from transforms.catalogue import DIRT
from transforms.errors import WorkspaceError
from transforms.warehouse import Warehouse
from transforms.workspace import Workspace

HERE = Path()
Folder = Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)]
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]


def _span(middle: str, low: str, high: str, digits: int) -> pl.Expr:
    """A figure with its interval as text; nothing where there is none."""
    parts = [pl.col(c).round(digits).cast(pl.String) for c in (middle, low, high)]
    return pl.format("{} ({} to {})", *parts)


def _compared(table: pl.DataFrame) -> pl.DataFrame:
    """The columns of a comparison that fit a terminal."""
    ranked = pl.format("{} ({} to {})", "rank", "rank_lo95", "rank_hi95")
    return table.select(
        pl.col("subject_id").alias("who"), pl.col("observed").round(2), pl.col("expected").round(2),
        pl.col("from_settings").round(2), _span("shrunken", "shrunken_lo95", "shrunken_hi95", 2).alias("own"),
        ranked.alias("rank"), "funnel", "n",
        pl.when(pl.col("observed").is_null()).then("says").otherwise(pl.lit("")).alias("says"),
    )  # fmt: skip


def _look(folder: Path) -> tuple[Workspace, Warehouse]:
    workspace = Workspace(folder)
    _ = workspace.season
    return workspace, Warehouse.to_look_at(workspace.warehouse)


def _out(json_wanted: bool, outcome: dict[str, Any], title: str, table: pl.DataFrame, lines: list[str]) -> None:
    if json_wanted:
        typer.echo(json.dumps(outcome, default=str))
        return
    console = Console()
    show(console, title, table)
    for line in lines:
        console.print(line, highlight=False, soft_wrap=True)


def benchmark(
    folder: Folder = HERE,
    kind: Annotated[str, typer.Option(help="machine, operator, grower, field or season.")] = "machine",
    response: Annotated[str, typer.Option(help="dirt_tare_pct, root_loss_t_ha or top_tare_pct.")] = DIRT,
    only_for: Annotated[
        str | None, typer.Option("--for", help="Show this one by name and all others without names.")
    ] = None,
    json_wanted: Json = False,
) -> None:
    """Compare machines, operators, growers or fields, each against what its own conditions lead one to expect.

    observed - expected = from_settings + unexplained, in the response's unit. The interval is of what neither
    conditions nor settings explain; the shrunken value is the better guess when many are looked at, and ranks (1 is
    the lowest) rest on it. Nobody is compared on too few loads.
    """
    _, warehouse = _look(folder)
    with warehouse:
        table = warehouse.table("benchmark") if warehouse.has("benchmark") else pl.DataFrame()
    if not table.height:
        raise WorkspaceError(
            "nothing is compared yet", where=str(folder), mend=f"run 'taretrace post-shift {folder}' first"
        )
    table = table.filter((pl.col("response") == response) & (pl.col("subject_kind") == kind))
    if not table.height:
        raise WorkspaceError(
            f"there is no {response} by {kind}", where=str(folder),
            mend="ask for machine, operator, grower, field or season, and a response that is fitted",
        )  # fmt: skip
    if only_for is not None:
        if only_for not in table["subject_id"]:
            raise WorkspaceError(
                f"there is no {kind} '{only_for}'", where=str(folder), mend="give its id as in the export"
            )
        table = anonymous(table, kind, only_for)
    table = table.sort("shrunken", nulls_last=True)
    _out(json_wanted, {"rows": table.to_dicts()}, f"{response} by {kind}, the lowest first", _compared(table), [
        "own: what neither conditions nor settings explain, shrunken, 95 %; rank 1 is the lowest, with its 95 %.",
        "Measured associations, not verdicts: what is unexplained may be wear, the operator, or what nobody logs.",
    ])  # fmt: skip


def piles(
    folder: Folder = HERE,
    json_wanted: Json = False,
) -> None:
    """List piles by site and shift: what lies there, what it is expected to lose, and which to slice first."""
    workspace, warehouse = _look(folder)
    with warehouse:
        table = warehouse.table("pile_ledger") if warehouse.has("pile_ledger") else pl.DataFrame()
    if not table.height:
        raise WorkspaceError(
            "no load is measured yet", where=str(folder), mend=f"run 'taretrace ingest {folder}' first"
        )
    prices = workspace.season.prices
    note = (
        f"Sugar lost over {prices.storage_days:g} planned days at {prices.storage_temp_c:g} °C in the pile "
        "(season.toml); roots taken as warm as the air of the day before."
    )
    title = "Piles, the one to slice first on top"
    seen = table.filter("lies").select(
        pl.col("slice_order").alias("order"), "site_id", "shift_date", "age_days", pl.col("clean_t").round(0),
        pl.col("dirt_tare_pct").round(1).alias("dirt_pct"), pl.col("top_tare_pct").round(1).alias("tops_pct"),
        pl.col("root_temp_c").round(1).alias("root_c"), pl.col("loss_now_kg_per_t_day").round(3).alias("kg_t_day_now"),
        pl.col("sugar_loss_t").round(1),
    )  # fmt: skip
    _out(json_wanted, {"rows": table.to_dicts()}, title, seen, [note])


def register_decisions(app: typer.Typer) -> None:
    """Add these verbs to the program."""
    app.add_typer(trial_app, name="trial")
    app.command()(benchmark)
    app.command()(piles)
