"""Console output of the commands benchmark, piles and what-if."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import polars as pl
from rich.console import Console

from flows.cli.output import finish, show
from flows.cli.own_standing import own_lines, own_outcome, own_table
from reports.language.basis_messages import earlier_note
from reports.language.reason_text import with_reasons
from reports.sections.cautions import CAUTION
from reports.sections.prices import assumption_words
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.advice.what_if_table import read_table
from transforms.benchmark.own_view import own_view
from transforms.config.workspace import Workspace
from transforms.contracts.classes import classes_at
from transforms.errors import WorkspaceError
from transforms.storage.product_basis import BENCHMARK, GUIDE, product_status
from transforms.storage.warehouse import Warehouse


def _format_interval(middle: str, low: str, high: str, digits: int) -> pl.Expr:
    """Return a column of figures with their intervals as text; null if any part is null."""
    parts = [pl.col(c).round(digits).cast(pl.String) for c in (middle, low, high)]
    return pl.format("{} ({} to {})", *parts)


def _select_columns(table: pl.DataFrame) -> pl.DataFrame:
    """Return the columns of a comparison that fit a terminal."""
    ranked = pl.format("{} ({} to {})", "rank", "rank_lo95", "rank_hi95")
    return table.select(
        pl.col("subject_id").alias("who"),
        pl.col("observed").round(2),
        pl.col("expected").round(2),
        pl.col("from_settings").round(2),
        _format_interval("shrunken", "shrunken_lo95", "shrunken_hi95", 2).alias("own"),
        ranked.alias("rank"),
        "standing",
        "n",
        pl.col("reason").fill_null(""),
    )


def _load_table(folder: Path, name: str, message: str, command: str) -> tuple[Workspace, pl.DataFrame]:
    """Return a workspace and one of its tables.

    Raises:
        WorkspaceError: the table is empty; the error shows `message` and names the `command` that fills it.
    """
    workspace = Workspace(folder)
    _ = workspace.season
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        table = warehouse.table(name) if warehouse.has(name) else pl.DataFrame()
    if not table.height:
        raise WorkspaceError(message, where=str(folder), remedy=f"run 'taretrace {command} {folder}' first")
    return workspace, table


def basis_of(workspace: Workspace, product: str) -> tuple[str, list[str]]:
    """Return the state of a product of the fits, and a note if the product is from an earlier fit."""
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        status = product_status(warehouse, product)
    return status.code.value, [note.text for note in earlier_note(product, status)]


def _print_table(outcome: dict[str, Any], title: str, table: pl.DataFrame, lines: list[str], *, as_json: bool) -> None:
    if not as_json:
        show(Console(), title, table)
    finish(as_json, outcome, lines)


def _parse_settings(pairs: list[str]) -> dict[str, float]:
    values = {}
    for pair in pairs:
        name, _, value = pair.partition("=")
        try:
            values[name.strip()] = float(value)
        except ValueError as problem:
            raise WorkspaceError(
                f"'{pair}' is not a setting with a value", where="--set", remedy="write it as share_depth_cm=6.5"
            ) from problem
    return values


def _load_owners(workspace: Workspace, kind: str) -> dict[str, str]:
    """Return the grower of each field if `kind` is field; other subjects are their own owners."""
    if kind != "field":
        return {}
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        fields = warehouse.table("field").select("field_id", "grower_id").drop_nulls()
    return dict(fields.iter_rows())


def benchmark(folder: Path, kind: str, response: str, only_for: str | None, *, as_json: bool) -> None:
    """Show the subjects of a kind, each compared with the value expected for its conditions.

    Raises:
        WorkspaceError: there is no comparison, or the subject `only_for` is not part of it.
    """
    workspace, table = _load_table(folder, "benchmark", "there is no comparison yet", "post-shift")
    table = table.filter((pl.col("response") == response) & (pl.col("subject_kind") == kind))
    if not table.height:
        raise WorkspaceError(
            f"there is no {response} by {kind}",
            where=str(folder),
            remedy="choose machine, operator, grower, field or season, and a fitted response",
        )
    if only_for is not None and only_for not in table["subject_id"]:
        raise WorkspaceError(f"there is no {kind} '{only_for}'", where=str(folder), remedy="use the id from the export")
    table, last = with_reasons(table.sort("shrunken", nulls_last=True)), table["last_shift_date"][0]
    title = f"{response} by {kind} up to the shift of {last}"
    code, earlier = basis_of(workspace, BENCHMARK)
    if only_for is not None:
        view = own_view(table, only_for, _load_owners(workspace, kind))
        outcome = {**own_outcome(view, kind, response), "basis_code": code}
        _print_table(outcome, title, own_table(view), [*earlier, *own_lines(view)], as_json=as_json)
        return
    _print_table(
        {"rows": table.to_dicts(), "basis_code": code},
        title,
        _select_columns(table),
        [
            *earlier,
            "Lowest first. Own: the part that neither conditions nor settings explain, shrunken, with 95 % interval.",
            "Measured associations, not verdicts: the unexplained part may be wear, operator, or anything not logged.",
        ],
        as_json=as_json,
    )


def piles(folder: Path, *, as_json: bool) -> None:
    """Show the piles in slicing order."""
    workspace, table = _load_table(folder, "pile_ledger", "no load is measured yet", "ingest")
    prices = workspace.season.prices
    note = (
        f"Sugar lost over {prices.storage_days:g} planned days at {prices.storage_temp_c:g} °C in the pile "
        "(season.toml); root temperature is assumed to equal the air temperature of the day before."
    )
    title = "Piles in slicing order"
    columns = table.filter("lies").select(
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
    _print_table({"rows": table.to_dicts()}, title, columns, [note], as_json=as_json)


def what_if(folder: Path, given: tuple[float | None, ...], settings: list[str], *, as_json: bool) -> None:
    """Show the predictions for given conditions (wetness, clay, temperature, yield) and settings."""
    workspace = Workspace(folder)
    season = workspace.season
    table = read_table(workspace.what_if)
    medians = table["at"]
    names = ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha")
    conditions = {n: medians[n] if v is None else v for n, v in zip(names, given, strict=True)}
    question = WhatIfQuery(**conditions, settings=_parse_settings(settings))
    found = answer_query(table, question)
    rows = [
        ("dirt tare, %", found.dirt_pct),
        ("root loss, t/ha", found.root_loss_t_ha),
        (f"cost, {season.currency}/t", found.cost_per_t),
        (f"saved against usual settings, {season.currency}/t", found.saved_per_t),
    ]
    shown = pl.DataFrame(
        [(label, *(round(v, 2) for v in interval)) for label, interval in rows if interval is not None],
        schema=["expected", "mean", "95 % from", "to"],
        orient="row",
    )
    wet, soil = classes_at(question.topsoil_wetness, question.clay_pct)
    notes = [f"{wet} topsoil, {soil} soil: n = {found.n} loads of the fleet. {assumption_words(season)}", CAUTION]
    warnings = [f"Warning, this is outside the observed range: {'; '.join(found.untried)}."] if found.untried else []
    code, earlier = basis_of(workspace, GUIDE)
    outcome = {"question": asdict(question), **asdict(found), "basis_code": code}
    _print_table(outcome, "What if", shown, [*earlier, *warnings, *notes], as_json=as_json)
