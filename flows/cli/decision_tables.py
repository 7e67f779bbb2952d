"""What the verbs around what to do show: benchmark, piles, what-if."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import polars as pl
import typer
from rich.console import Console

from flows.cli.output import print_line, show
from flows.cli.own_standing import own_lines, own_outcome, own_table
from reports.language.basis_messages import earlier_note
from reports.sections.cautions import CAUTION
from reports.sections.prices import assumption_words
from transforms.advice.what_if import WhatIfQuery, answer, class_names, read_table
from transforms.benchmark.own_view import own_view
from transforms.config.workspace import Workspace
from transforms.errors import WorkspaceError
from transforms.storage.product_basis import BENCHMARK, GUIDE, product_status
from transforms.storage.warehouse import Warehouse


def _span(middle: str, low: str, high: str, digits: int) -> pl.Expr:
    """A figure with its interval as text; nothing where there is none."""
    parts = [pl.col(c).round(digits).cast(pl.String) for c in (middle, low, high)]
    return pl.format("{} ({} to {})", *parts)


def _compared(table: pl.DataFrame) -> pl.DataFrame:
    """The columns of a comparison that fit a terminal."""
    ranked = pl.format("{} ({} to {})", "rank", "rank_lo95", "rank_hi95")
    return table.select(
        pl.col("subject_id").alias("who"),
        pl.col("observed").round(2),
        pl.col("expected").round(2),
        pl.col("from_settings").round(2),
        _span("shrunken", "shrunken_lo95", "shrunken_hi95", 2).alias("own"),
        ranked.alias("rank"),
        "standing",
        "n",
        pl.when(pl.col("observed").is_null()).then("says").otherwise(pl.lit("")).alias("says"),
    )


def _kept(folder: Path, name: str, lack: str, verb: str) -> tuple[Workspace, pl.DataFrame]:
    """A workspace and a table of it; where that is empty, what lacks and the verb that fills it are said."""
    workspace = Workspace(folder)
    _ = workspace.season
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        table = warehouse.table(name) if warehouse.has(name) else pl.DataFrame()
    if not table.height:
        raise WorkspaceError(lack, where=str(folder), remedy=f"run 'taretrace {verb} {folder}' first")
    return workspace, table


def basis_of(workspace: Workspace, product: str) -> tuple[str, list[str]]:
    """The state of a product of the fits, and a line that says so if it is of an earlier fit."""
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        status = product_status(warehouse, product)
    return status.code.value, [note.text for note in earlier_note(product, status)]


def _out(outcome: dict[str, Any], title: str, table: pl.DataFrame, lines: list[str], *, json_wanted: bool) -> None:
    if json_wanted:
        typer.echo(json.dumps(outcome, default=str))
        return
    console = Console()
    show(console, title, table)
    for line in lines:
        print_line(console, line)


def _given(pairs: list[str]) -> dict[str, float]:
    out = {}
    for pair in pairs:
        name, _, value = pair.partition("=")
        try:
            out[name.strip()] = float(value)
        except ValueError as problem:
            raise WorkspaceError(
                f"'{pair}' is no setting with a value", where="--set", remedy="write it as share_depth_cm=6.5"
            ) from problem
    return out


def _owners(workspace: Workspace, kind: str) -> dict[str, str]:
    """Return the grower of each field if fields are compared; other subjects are their own owners."""
    if kind != "field":
        return {}
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        fields = warehouse.table("field").select("field_id", "grower_id").drop_nulls()
    return dict(fields.iter_rows())


def benchmark(folder: Path, kind: str, response: str, only_for: str | None, *, json_wanted: bool) -> None:
    """Show subjects of a kind against what their own conditions lead one to expect."""
    workspace, table = _kept(folder, "benchmark", "nothing is compared yet", "post-shift")
    table = table.filter((pl.col("response") == response) & (pl.col("subject_kind") == kind))
    if not table.height:
        raise WorkspaceError(
            f"there is no {response} by {kind}",
            where=str(folder),
            remedy="ask for machine, operator, grower, field or season, and a response that is fitted",
        )
    if only_for is not None and only_for not in table["subject_id"]:
        raise WorkspaceError(
            f"there is no {kind} '{only_for}'", where=str(folder), remedy="give its id as in the export"
        )
    table, last = table.sort("shrunken", nulls_last=True), table["last_shift_date"][0]
    title = f"{response} by {kind} up to the shift of {last}"
    code, earlier = basis_of(workspace, BENCHMARK)
    if only_for is not None:
        view = own_view(table, only_for, _owners(workspace, kind))
        outcome = {**own_outcome(view, kind, response), "basis_code": code}
        _out(outcome, title, own_table(view), [*earlier, *own_lines(view)], json_wanted=json_wanted)
        return
    _out(
        {"rows": table.to_dicts(), "basis_code": code},
        title,
        _compared(table),
        [
            *earlier,
            "The lowest stands first. Own: what neither conditions nor settings explain, shrunken, 95 %; so the rank.",
            "Measured associations, not verdicts: what is unexplained may be wear, the operator, or what nobody logs.",
        ],
        json_wanted=json_wanted,
    )


def piles(folder: Path, *, json_wanted: bool) -> None:
    """Show piles, the one to slice first on top."""
    workspace, table = _kept(folder, "pile_ledger", "no load is measured yet", "ingest")
    prices = workspace.season.prices
    note = (
        f"Sugar lost over {prices.storage_days:g} planned days at {prices.storage_temp_c:g} °C in the pile "
        "(season.toml); roots taken as warm as the air of the day before."
    )
    title = "Piles, the one to slice first on top"
    seen = table.filter("lies").select(
        pl.col("slice_order").alias("order"),
        "site_id",
        "shift_date",
        "age_days",
        pl.col("clean_t").round(0),
        pl.col("dirt_tare_pct").round(1).alias("dirt_pct"),
        pl.col("top_tare_pct").round(1).alias("tops_pct"),
        pl.col("root_temp_c").round(1).alias("root_c"),
        pl.col("loss_now_kg_per_t_day").round(3).alias("kg_t_day_now"),
        pl.col("sugar_loss_t").round(1),
    )
    _out({"rows": table.to_dicts()}, title, seen, [note], json_wanted=json_wanted)


def what_if(folder: Path, given: tuple[float | None, ...], settings: list[str], *, json_wanted: bool) -> None:
    """Show what is expected under given conditions (wetness, clay, temperature, yield) and settings."""
    workspace = Workspace(folder)
    season = workspace.season
    table = read_table(workspace.what_if)
    at = table["at"]
    names = ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha")
    where = {n: at[n] if v is None else v for n, v in zip(names, given, strict=True)}
    question = WhatIfQuery(**where, settings=_given(settings))
    found = answer(table, question)
    rows = [
        ("dirt tare, %", found.dirt_pct),
        ("root loss, t/ha", found.root_loss_t_ha),
        (f"cost, {season.currency}/t", found.cost_per_t),
        (f"saved against usual settings, {season.currency}/t", found.saved_per_t),
    ]
    shown = pl.DataFrame(
        [(label, *(round(v, 2) for v in told)) for label, told in rows if told is not None],
        schema=["expected", "mean", "95 % from", "to"],
        orient="row",
    )
    wet, soil = class_names(question.topsoil_wetness, question.clay_pct)
    told = [f"{wet} topsoil, {soil} soil: n = {found.n} loads of the fleet. {assumption_words(season)}", CAUTION]
    warned = [f"Not to be believed: {'; '.join(found.untried)}."] if found.untried else []
    code, earlier = basis_of(workspace, GUIDE)
    outcome = {"question": asdict(question), **asdict(found), "basis_code": code}
    _out(outcome, "What if", shown, [*earlier, *warned, *told], json_wanted=json_wanted)
