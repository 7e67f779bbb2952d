"""Fitted parts: what to fit in the days ahead, and how parts compared on the same machines this season."""

from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.labels import (
    RESPONSES,
    capital,
    counted_label,
    format_probability,
    interval,
    response_label,
)
from reports.language.part_labels import part_label, place_label
from reports.language.precision import about_money, money_range
from reports.language.reason_text import row_reason
from reports.language.translate import say, translated
from reports.page.model import Prose, Section
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from reports.sections.part_trials import part_trials_table, trials_of_undecided
from transforms.advice.part_advice import ADVISED
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue

MAX_FIRST = 3
"""Maximum changes of parts on the first page."""


def part_command(r: dict[str, Any], shown: DisplayUnits) -> str:
    """Return a change of parts, a row of `part_advice`, as a short command."""
    return say(
        "fit {part} instead of {now} ({place}) from {day} on",
        part=part_label(r["part"]),
        now=part_label(r["part_now"]),
        place=place_label(r["place"]),
        day=shown.short_day(r["from_date"]),
    )


def _effect(r: dict[str, Any]) -> str:
    return say(
        "dirt {change} % ({interval}) on {wetness_class} topsoil, n = {n} loads",
        change=number(r["change_pct"], 0, sign=True),
        interval=interval(r["lo95"], r["hi95"], 0),
        wetness_class=translated(r["wetness_class"]),
        n=number(r["n"], 0),
    )


def _worth(r: dict[str, Any], shown: DisplayUnits) -> str:
    return say(
        "worth {gain} up to {day}, likely {span}, after {cost} for the workshop",
        gain=about_money(r["gain"], shown),
        day=shown.short_day(r["to_date"]),
        span=money_range(r["gain_lo95"], r["gain_hi95"]),
        cost=shown.money(r["workshop_cost"]),
    )


def _line(r: dict[str, Any], shown: DisplayUnits) -> Prose:
    """Return an advised change of parts with its worth and how sure that is."""
    return Prose(
        say(
            "{machine}: {command}; {worth}; {effect}; pays in {sure}.",
            machine=r["machine_id"],
            command=part_command(r, shown),
            worth=_worth(r, shown),
            effect=_effect(r),
            sure=format_probability(r["probability_better"]),
        )
    )


def parts_section(advised: pl.DataFrame, shown: DisplayUnits) -> Section | None:
    """Return the changes of fitted parts that are advised for the days ahead; None if there are none.

    Changes that the season's comparison leaves open are evidence, not advice: see `parts_evidence`.

    Args:
        advised: rows of `part_advice`.
        shown: units of the page.
    """
    own = advised.filter(pl.col("verdict") == ADVISED).sort(-pl.col("gain"), "machine_id")
    if not own.height:
        return None
    lines = tuple(
        Prose(
            say(
                "{machine}: {command}; {worth}.",
                machine=r["machine_id"],
                command=part_command(r, shown),
                worth=_worth(r, shown),
            )
        )
        for r in own.head(MAX_FIRST).iter_rows(named=True)
    )
    return Section("parts", say("Fitted parts, by the forecast"), lines)


def parts_evidence(advised: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Section | None:
    """Return all changes of fitted parts that may pay in the days ahead, with their evidence; None if there are none.

    Args:
        advised: rows of `part_advice`.
        catalogue: the settings known.
        shown: units of the page.
    """
    if not advised.height:
        return None
    own = advised.filter(pl.col("verdict") == ADVISED).sort(-pl.col("gain"), "machine_id")
    blocks: list[Prose | Table] = [_line(r, shown) for r in own.iter_rows(named=True)]
    undecided = advised.filter(pl.col("verdict") != ADVISED).sort(-pl.col("gain"), "machine_id")
    if undecided.height:
        about = say(
            "Not advice: the days with the two parts do not show which is better. A trial that draws the part of each "
            "day by lot would."
        )
        trials = part_trials_table(trials_of_undecided(undecided), shown)
        blocks += [Prose(about), _undecided(undecided, catalogue), trials]
    return Section("parts", say("Fitted parts, by the forecast"), tuple(blocks))


def _undecided(rows: pl.DataFrame, catalogue: Catalogue) -> Table:
    return build_table(
        "parts-undecided",
        say("fitted parts that may pay"),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"])),
            Column(say("Part"), lambda r: text_cell(part_label(r["part"])), numeric=False),
            Column(say("Instead of"), lambda r: text_cell(part_label(r["part_now"])), numeric=False),
            Column(say("Place"), lambda r: text_cell(place_label(r["place"])), numeric=False),
            Column(say("Topsoil"), lambda r: text_cell(translated(r["wetness_class"])), numeric=False),
            Column(say("Dirt, %"), lambda r: number_cell(r["change_pct"], 0, r["lo95"], r["hi95"], sign=True)),
            Column(say("n loads"), lambda r: number_cell(r["n"], 0)),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        rows.iter_rows(named=True),
    )


def part_notes(advised: pl.DataFrame, machine_id: str, shown: DisplayUnits) -> list[str]:
    """Return the advised changes of parts of a machine as sentences for its card."""
    own = advised.filter((pl.col("machine_id") == machine_id) & (pl.col("verdict") == ADVISED))
    return [capital(part_command(r, shown)) + "." for r in own.iter_rows(named=True)]


def _comparisons(effects: pl.DataFrame, catalogue: Catalogue) -> Table:
    return build_table(
        "parts-compared",
        say("fitted parts compared"),
        (
            Column(say("Response"), lambda r: text_cell(capital(response_label(r["response"])))),
            Column(say("Part"), lambda r: text_cell(part_label(r["part"])), numeric=False),
            Column(say("Instead of"), lambda r: text_cell(part_label(r["compared_with"])), numeric=False),
            Column(say("Place"), lambda r: text_cell(place_label(r["place"])), numeric=False),
            Column(say("Topsoil"), lambda r: text_cell(translated(r["wetness_class"] or say("all"))), numeric=False),
            Column(say("Change, %"), lambda r: number_cell(r["change_pct"], 0)),
            Column(say("95 % from"), lambda r: number_cell(r["lo95"], 0)),
            Column(say("to"), lambda r: number_cell(r["hi95"], 0)),
            Column(say("n machines"), lambda r: number_cell(r["machines"], 0)),
            Column("n", lambda r: number_cell(r["n"], 0)),
            Column(say("n counts"), lambda r: text_cell(counted_label(r["response"])), numeric=False),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        effects.iter_rows(named=True),
        caption=say(
            "Change with one part instead of the other, on the machines that ran with both: of dirt, top tare and "
            "shares of roots relative to the rest, of losses relative to themselves."
        ),
    )


def not_a_choice(effects: pl.DataFrame, catalogue: Catalogue) -> str:
    """Return a sentence on the reason why no parts can be chosen where settings can.

    Args:
        effects: rows of `part_effect`.
        catalogue: the settings known.
    """
    of_dirt = effects.filter(pl.col("response") == DIRT)
    if not of_dirt.height:
        return say("Fitted parts cannot be chosen here: no machine changed them this season.")
    open_rows = of_dirt.filter(pl.col("change_pct").is_null())
    if open_rows.height:
        why = row_reason(open_rows.row(0, named=True), catalogue)
        return say("Fitted parts cannot be chosen here ({reason}).", reason=why)
    return say("Fitted parts cannot be chosen here: too few loads or machines on one class of topsoil compare them.")


def compared_section(
    effects: pl.DataFrame, suggested: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits
) -> Section | None:
    """Return the section that compares fitted parts by all that is fitted; None if no machine changed parts.

    Comparisons between days as they came have the trials that would settle them.

    Args:
        effects: rows of `part_effect`.
        suggested: rows of `trial_wanted`.
        catalogue: the settings known.
        shown: units of the page.
    """
    if not effects.height:
        return None
    order = {r: k for k, r in enumerate(RESPONSES)}
    place = pl.col("response").replace_strict(order, default=len(order), return_dtype=pl.Int64)
    rows = effects.sort(place, maintain_order=True)
    about = say(
        "Parts are changed in the workshop, so days with one part are compared with days with the other, not loads of "
        "the same field. Only a trial with both parts by lot separates them from weather and crop."
    )
    trials, is_open = suggested.drop_nulls("part"), rows.filter(response=DIRT)["pairs"].is_null().any()
    blocks: list[Prose | Table] = [_comparisons(rows, catalogue), Prose(about)]
    if trials.height:
        blocks.append(part_trials_table(trials, shown))
    elif is_open:
        blocks.append(
            Prose(say("No machine of a kind that had both parts has one of them now: no trial can be planned."))
        )
    return Section("parts", say("Fitted parts"), tuple(blocks))
