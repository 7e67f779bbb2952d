"""Headings of the pages with the evidence behind a shift's advice: each answers its page's question."""

from dataclasses import fields
from typing import Any

import polars as pl

from reports.language.display_units import number
from reports.language.labels import capital, setting_label
from reports.language.number_words import count_words
from reports.language.translate import say, say_n
from reports.page.theme import FEW
from reports.sections.effects import CERTAIN_Q
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices, Season


def machines_title(advice: pl.DataFrame) -> str:
    """Return the heading of the machines' page: the number of machines with moves, from rows of `advice`."""
    if not advice.height:
        return say("No advice yet")
    machines = advice["machine_id"].n_unique()
    moving = advice.filter(pl.col("verdict") == "move")["machine_id"].n_unique()
    if not moving:
        return say("No machine should change anything")
    count, of = count_words(moving, machines)
    if moving == machines:
        return capital(
            say_n(
                "{count} machine should change something",
                "All {count} machines should change something",
                machines,
                count=count,
            )
        )
    return capital(say("{count} of {all} machines should change something", count=count, all=of))


def loads_title(loads: pl.DataFrame) -> str:
    """Return the heading of the loads' page: the number of loads above their expected range.

    Args:
        loads: rows of `shift_load`.
    """
    known = loads.drop_nulls(["observed_pct", "hi95"])
    if not known.height:
        return say("No load of this shift is measured yet")
    above = known.filter(pl.col("observed_pct") > pl.col("hi95")).height
    if not above:
        return say("No measured load is dirtier than expected")
    count, of = count_words(above, known.height)
    return capital(
        say_n(
            "{count} of {all} measured loads is dirtier than expected",
            "{count} of {all} measured loads are dirtier than expected",
            above,
            count=count,
            all=of,
        )
    )


def effects_title(effects: pl.DataFrame, catalogue: Catalogue) -> str:
    """Return the heading of the effects' page: the setting with the largest certain effect on dirt.

    Args:
        effects: rows of `effect_overall`.
        catalogue: the settings known.
    """
    certain = effects.drop_nulls("change_pct").filter(
        pl.col("response") == DIRT, pl.col("q_value") < CERTAIN_Q, pl.col("n") >= FEW
    )
    if not certain.height:
        return say("No setting shows a certain effect on dirt yet")
    first = certain.sort(pl.col("change_pct").abs(), "setting", descending=[True, False])["setting"][0]
    return say("{setting} has the largest effect on dirt", setting=capital(setting_label(first, catalogue)))


def received_title(counts: dict[str, Any]) -> str:
    """Return the heading of the page of received data: the number of rejected rows, from the row of `data_health`."""
    if not counts["rows_in"]:
        return say("No data received yet")
    if not counts["rows_rejected"]:
        return say("All received rows were accepted")
    return say_n(
        "{n} of {all} received rows was rejected",
        "{n} of {all} received rows were rejected",
        counts["rows_rejected"],
        all=number(counts["rows_in"], 0),
    )


def prices_title(season: Season) -> str:
    """Return the heading of the prices' page: the number of prices set in the workspace."""
    n = len(fields(Prices))
    if not season.assumed:
        return say("All {n} prices are set", n=n)
    if len(season.assumed) == n:
        return say("All {n} prices are assumptions", n=n)
    return say("{own} of {n} prices are set", own=n - len(season.assumed), n=n)
