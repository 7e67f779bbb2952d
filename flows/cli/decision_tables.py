"""Console output of the commands benchmark, piles and what-if."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

import polars as pl

from flows.cli.benchmark_table import benchmark_table
from flows.cli.columns import Column, Figure, figure, money_digits, plain
from flows.cli.console_table import ConsoleTable
from flows.cli.output import finish
from flows.cli.own_standing import own_lines, own_outcome, own_table
from flows.cli.stored_columns import display_units
from reports.language.basis_messages import earlier_note
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital, condition_label, conditions_label, response_label, setting_label
from reports.language.part_labels import find_place, parse_part
from reports.language.precision import setting_value
from reports.language.reason_text import format_reason, with_reasons
from reports.language.setting_input import parse_assignment
from reports.language.translate import mark, say, say_n, translated
from reports.sections.cautions import CAUTION
from reports.sections.prices import assumption_words
from transforms.advice.mean_interval import MeanInterval
from transforms.advice.what_if import (
    Answer,
    UnseenCondition,
    UntriedSetting,
    WhatIfQuery,
    answer_query,
    unseen_conditions,
    untried_settings,
)
from transforms.advice.what_if_parts import parts_of_place
from transforms.advice.what_if_table import read_table
from transforms.benchmark.own_view import own_view
from transforms.config.workspace import Season, Workspace
from transforms.contracts.classes import classes_at
from transforms.contracts.similar_name import use_one_of
from transforms.errors import WorkspaceError
from transforms.storage.product_basis import BENCHMARK, GUIDE, product_status
from transforms.storage.warehouse import Warehouse

WITHOUT_RANGE = {"fleet_has_few_loads", "parts_not_together"}
"""Reasons against a question that name no range of values."""


def _load_table(folder: Path, name: str) -> tuple[Workspace, pl.DataFrame]:
    """Return a workspace and one of its tables, empty if it does not exist yet."""
    workspace = Workspace(folder)
    _ = workspace.season
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        return workspace, warehouse.table(name) if warehouse.has(name) else pl.DataFrame()


def basis_of(workspace: Workspace, product: str) -> tuple[str, list[str]]:
    """Return the state of a product of the fits, and a note if the product is from an earlier fit."""
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        status = product_status(warehouse, product)
    return status.code.value, [note.text for note in earlier_note(product, status)]


def _parse_settings(
    pairs: list[str], season: Season, shown: DisplayUnits, table: dict[str, Any]
) -> tuple[dict[str, float], dict[str, str]]:
    """Return the values of the options `--set`: settings in their stored units, and fitted parts by place."""
    settings, parts, among = {}, {}, list(table["settings"])
    for pair in pairs:
        name, sign, value = pair.partition("=")
        place = find_place(name)
        if place is not None and sign:
            parts[place] = parse_part(value, parts_of_place(table, place))
        else:
            setting, number_of = parse_assignment(pair, season.catalogue, "--set", shown.codes, among)
            settings[setting] = number_of
    return settings, parts


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
    workspace, table = _load_table(folder, "benchmark")
    if not table.height:
        raise WorkspaceError(
            "there is no comparison yet",
            where=str(folder),
            remedy="run 'taretrace post-shift {folder}' first",
            folder=str(folder),
        )
    table = table.filter((pl.col("response") == response) & (pl.col("subject_kind") == kind))
    if not table.height:
        raise WorkspaceError(
            "there is no comparison of {response} by {kind}",
            where=str(folder),
            remedy="choose machine, operator, grower, field or season, and a fitted response",
            response=response,
            kind=kind,
        )
    if only_for is not None and only_for not in table["subject_id"]:
        raise WorkspaceError(
            "there is no {kind} '{name}'",
            where=str(folder),
            remedy="{hint}",
            kind=kind,
            name=only_for,
            hint=use_one_of(only_for, table["subject_id"].unique().sort().to_list()),
        )
    catalogue, last = workspace.season.catalogue, table["last_shift_date"][0]
    table, shown = with_reasons(table.sort("shrunken", nulls_last=True), catalogue), display_units(workspace.season)
    title = say(
        "{response} by {kind}, up to the shift of {day}",
        response=capital(response_label(response)),
        kind=translated(kind),
        day=shown.day(last),
    )
    code, earlier = basis_of(workspace, BENCHMARK)
    if only_for is not None:
        view = own_view(table, only_for, _load_owners(workspace, kind))
        outcome = {**own_outcome(view, kind, response), "basis_code": code}
        lines = [*earlier, *own_lines(view, response, shown)]
        finish(as_json, outcome, lines, [own_table(view, title, kind, response, shown)])
        return
    finish(
        as_json,
        {"rows": table.to_dicts(), "basis_code": code},
        [
            *earlier,
            say("Own effect: the part that neither conditions nor settings explain, shrunken, with its 95 % interval."),
            say("Lowest first: rank 1 is the lowest."),
            say(
                "Measured associations, not verdicts: the unexplained part may be wear, operator, or anything not "
                "logged."
            ),
        ],
        [benchmark_table(title, table, kind, response, shown)],
    )


def piles(folder: Path, *, as_json: bool) -> None:
    """Show the piles in slicing order."""
    workspace, table = _load_table(folder, "pile_ledger")
    if not table.height:
        raise WorkspaceError(
            "no load is measured yet",
            where=str(folder),
            remedy="run 'taretrace ingest {folder}' first",
            folder=str(folder),
        )
    prices, shown = workspace.season.prices, display_units(workspace.season)
    note = say(
        "Sugar lost over {days} planned days at {temperature} in the pile (season.toml); root temperature is assumed "
        "to equal the air temperature of the day before.",
        days=number(prices.storage_days, 0),
        temperature=shown.quantity(prices.storage_temp_c, "degC"),
    )
    shown_piles = _pile_table(table.filter("lies"), shown)
    finish(as_json, {"rows": table.to_dicts()}, [note], [shown_piles])


def _pile_table(lying: pl.DataFrame, shown: DisplayUnits) -> ConsoleTable:
    """Return the table of the piles that are not sliced yet."""
    tonne, degree = shown.sign("t"), shown.sign("degC")
    rate, rate_unit = (2.0, say("lb per ton")) if shown.system == "us" else (1.0, say("kg per t"))

    def mass(name: str, digits: int) -> Any:
        return lambda row: Figure(None if row[name] is None else shown.convert(row[name], "t"), digits)

    def temperature(row: dict[str, Any]) -> Figure:
        return Figure(None if row["root_temp_c"] is None else shown.convert(row["root_temp_c"], "degC"), 0)

    def loss_rate(row: dict[str, Any]) -> Figure:
        now = row["loss_now_kg_per_t_day"]
        return Figure(None if now is None else now * rate, 2)

    return ConsoleTable(
        say("Piles in slicing order"),
        (
            plain(say("Order"), "slice_order"),
            plain(say("Factory"), "site_id"),
            plain(say("Shift"), "shift_date"),
            plain(say("Age, days"), "age_days"),
            Column(say("Beet without soil, {t}", t=tonne), mass("soil_free_t", 0)),
            figure(say("Dirt, %"), "dirt_tare_pct", 1),
            figure(say("Tops, %"), "top_tare_pct", 1),
            Column(say("Roots, {unit}", unit=degree), temperature),
            Column(say("Loss now, {unit} a day", unit=rate_unit), loss_rate),
            Column(say("Sugar lost, {t}", t=tonne), mass("sugar_loss_t", 1)),
        ),
        lying.to_dicts(),
    )


def what_if(
    folder: Path, given: tuple[float | None, ...], settings: list[str], *, is_forced: bool, as_json: bool
) -> None:
    """Show the predictions for given conditions (wetness, clay, temperature, yield) and settings.

    Raises:
        WorkspaceError: nothing was tried there, and the answer is not forced.
    """
    workspace = Workspace(folder)
    season = workspace.season
    table = read_table(workspace.what_if)
    medians = table["at"]
    names = ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha")
    conditions = {n: medians[n] if v is None else v for n, v in zip(names, given, strict=True)}
    shown = display_units(season)
    values, parts = _parse_settings(settings, season, shown, table)
    question = WhatIfQuery(**conditions, settings=values, parts=parts)
    found = answer_query(table, question)
    wet, soil = classes_at(question.topsoil_wetness, question.clay_pct)
    loads = say_n(
        "{conditions}: n = {n} load of the fleet.",
        "{conditions}: n = {n} loads of the fleet.",
        found.n,
        conditions=capital(conditions_label(wet, soil)),
    )
    notes = [f"{loads} {assumption_words(season)}", say(CAUTION)]
    ranges = [
        *(_tried_range(u, season) for u in untried_settings(table, question)),
        *(_seen_range(u, shown) for u in unseen_conditions(table, question)),
        *(format_reason(why, season.catalogue) for why in found.untried if why.code in WITHOUT_RANGE),
    ]
    if ranges and not is_forced:
        raise WorkspaceError(
            "nothing was tried there",
            where=" ".join(f"--set {pair}" for pair in settings) or "what-if",
            remedy="{ranges}; ask for values that were tried, or add --force to see what the model extrapolates",
            ranges="; ".join(ranges),
        )
    warnings = [say("Extrapolated, nothing was tried there: {ranges}.", ranges="; ".join(ranges))] if ranges else []
    code, earlier = basis_of(workspace, GUIDE)
    untried = [format_reason(why, season.catalogue) for why in found.untried]
    outcome = {"question": asdict(question), **asdict(found), "untried": untried, "basis_code": code}
    finish(as_json, outcome, [*earlier, *warnings, *notes], [_answer_table(found, shown)])


def _tried_range(untried: UntriedSetting, season: Season) -> str:
    """Return a clause on the range of a setting that the fleet has tried in such conditions."""
    setting, shown = season.catalogue[untried.setting], display_units(season)
    label = setting_label(untried.setting, season.catalogue)
    if untried.low is None:
        return say("{setting} was not tried in such conditions", setting=label)
    low, high = (setting_value(v, setting, shown) for v in (untried.low, untried.high))
    return say("{setting} was tried only from {low} to {high} in such conditions", setting=label, low=low, high=high)


def _seen_range(unseen: UnseenCondition, shown: DisplayUnits) -> str:
    """Return a clause on the range in which loads of the season were lifted."""
    unit = {"air_temp_c": "degC", "yield_t_ha": "t/ha"}[unseen.condition]
    low, high = (shown.quantity(v, unit) for v in (unseen.low, unseen.high))
    label = condition_label(unseen.condition)
    return say("{condition} was only from {low} to {high} this season", condition=label, low=low, high=high)


def _answer_table(found: Answer, shown: DisplayUnits) -> ConsoleTable:
    """Return the table of the expected values, money with two significant digits."""
    rows = [_expected(say("Dirt tare, %"), found.dirt_pct, 1.0, 1)]
    if found.root_loss_t_ha is not None:
        factor, _ = shown.straight("t/ha")
        heading = say("Root loss, {unit}", unit=shown.sign("t/ha"))
        rows.append(_expected(heading, found.root_loss_t_ha, factor, shown.digits("t/ha")))
    topping = ((say("Top tare, %"), found.top_tare_pct), (say("Topped too deep, %"), found.over_topped_pct))
    rows += [_expected(heading, value, 1.0, 1) for heading, value in topping if value is not None]
    if found.damaged_pct is not None:
        rows.append(_expected(say("Roots with damaged skin, %"), found.damaged_pct, 1.0, 0))
    cost, saved = mark("Cost, {unit}"), mark("Saved against usual settings, {unit}")
    for text, amount in ((cost, found.cost_per_t), (saved, found.saved_per_t)):
        mean, low, high = (v * shown.per_tonne for v in amount)
        digits = money_digits(mean, (high - low) / 2)
        rows.append(_expected(say(text, unit=shown.money_per_t), amount, shown.per_tonne, digits))
    columns = (
        plain(say("Expected"), "heading"),
        plain(say("Mean"), "mean"),
        plain(say("95 % from"), "low"),
        plain(say("to"), "high"),
    )
    return ConsoleTable(say("What if"), columns, rows)


def _expected(heading: str, interval: MeanInterval, factor: float, digits: int) -> dict[str, Any]:
    figures = (Figure(v * factor, digits) for v in interval)
    return {"heading": heading, **dict(zip(("mean", "low", "high"), figures, strict=True))}
