"""Sections on the causes of dirt and losses: variance shares, effects, curves, and misleading raw comparisons."""

from collections.abc import Callable
from typing import Any

import polars as pl

from reports.charts.reading_strip import READINGS, reading_strip
from reports.charts.share_bars import variance_bars
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import (
    KINDS,
    RESPONSES,
    capital,
    counted_label,
    join_names,
    source_label,
)
from reports.language.reason_text import row_reason
from reports.language.translate import mark, say, say_n
from reports.page.model import Figure, Prose, Section
from reports.page.tables import Cell, Column, build_table, number_cell, text_cell
from reports.sections.effects import add_setting_labels, effects_blocks
from reports.sections.season_curves import curve_blocks
from reports.sections.season_effects_data import SeasonEffectsData
from reports.sections.setting_pairs import pairs_blocks
from transforms.config.response_catalogue import DIRT, ROOT_LOSS, TOPS
from transforms.config.settings_catalogue import Catalogue

SOURCES = {
    "topsoil wetness": mark("topsoil wetness"),
    "soil": mark("soil"),
    "temperature, crop and date": mark("temperature, crop and date"),
    "machine": mark("machines"),
    "field": mark("fields"),
    "operator": mark("operators"),
    "day": mark("days"),
    "season": mark("seasons"),
    "lab": mark("measurement error"),
    "unexplained": mark("unexplained"),
}
SIGN_FLIPS = ("sign_flips_pooled", "sign_flips_between", "sign_flips_pooled_and_between")
"""Reason codes of a raw comparison with the wrong sign; others differ in size alone."""
KEYS = {name: name.removesuffix("_pct").removesuffix("_t_ha").replace("_", "-") for name in RESPONSES} | {
    DIRT: "dirt",
    ROOT_LOSS: "loss",
    TOPS: "tops",
}
"""Response -> part of the ids of its section."""


def _source(name: str, catalogue: Catalogue) -> str:
    return say(SOURCES[name]) if name in SOURCES else source_label(name, catalogue)


def share_finding(kinds: pl.DataFrame, response: str) -> str:
    """Return a sentence on the sources of a response's variation, by kind."""
    parts = [
        say("{kind} {share} %", kind=say(KINDS[r["kind"]]), share=number(100 * r["share"], 0))
        for r in kinds.sort("share", descending=True).iter_rows(named=True)
        if r["share"] >= 0.005
    ]
    return say(
        "Sources of variation of {response}: {parts}.", response=say(RESPONSES[response]), parts=", ".join(parts)
    )


def _shares(data: SeasonEffectsData, response: str, catalogue: Catalogue) -> Figure | Prose:
    name = say(RESPONSES[response])
    sources = data.sources.filter(pl.col("response") == response)
    kinds = data.kinds.filter(pl.col("response") == response)
    known = sources.drop_nulls("share")
    if not known.height:
        return Prose(
            say("The sources of variation of {response} cannot be estimated yet: too few rows.", response=name)
        )
    drawn = known.filter(pl.col("share").abs() >= 0.005).select(
        pl.Series(
            "label",
            [_source(s, catalogue) for s in known.filter(pl.col("share").abs() >= 0.005)["source"]],
            dtype=pl.String,
        ),
        *((100 * pl.col(c)).alias(a) for c, a in (("share", "value"), ("lo95", "lo"), ("hi95", "hi"))),
    )
    table = build_table(
        f"shares-{KEYS[response]}",
        say("shares of {response}", response=name),
        (
            Column(say("Source"), lambda r: text_cell(_source(r["source"], catalogue))),
            Column(say("Kind"), lambda r: text_cell(say(KINDS[r["kind"]])), numeric=False),
            Column(say("Share, %"), lambda r: number_cell(_pct(r["share"]), 1, _pct(r["lo95"]), _pct(r["hi95"]))),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        sources.iter_rows(named=True),
        caption=say(
            "Shares of the variance on the fitted scale; they add up to 100. A negative share offsets other sources."
        ),
    )
    return Figure(
        f"shares-{KEYS[response]}-chart",
        share_finding(kinds, response),
        say("Sources below half a percent are in the table only; lines are 95 % intervals."),
        variance_bars(drawn),
        say("Shares of the variance of {response}", response=name),
        table,
    )


def _pct(share: float | None) -> float | None:
    return None if share is None else 100 * share


def reading_finding(readings: pl.DataFrame) -> str:
    """Return a sentence on the settings whose sign is wrong in pooled loads or between visits."""
    wrong = readings.filter(pl.col("reason_code").is_in(SIGN_FLIPS))
    if not wrong.height:
        return say("The raw comparison has the wrong sign for none of {n} settings.", n=readings.height)
    return say_n(
        "A raw comparison of loads or visits gives {n} of {all} settings the wrong sign: {settings}.",
        "A raw comparison of loads or visits gives {n} of {all} settings the wrong sign: {settings}.",
        wrong.height,
        all=readings.height,
        settings=join_names(wrong["label"].to_list()),
    )


def _change_cells(part: str) -> Callable[[dict[str, Any]], Cell]:
    """Return the cells of one comparison: its change with its interval."""
    return lambda r: number_cell(r[f"{part}_pct"], 1, r[f"{part}_lo95"], r[f"{part}_hi95"], sign=True)


def _readings(comparisons: pl.DataFrame, response: str, catalogue: Catalogue) -> Figure | None:
    settings = add_setting_labels(comparisons.filter(pl.col("response") == response), catalogue)
    if not settings.height:
        return None
    parts = ("naive", "between", "within")
    drawn = pl.concat(
        [
            settings.select(
                "label",
                pl.lit(reading).alias("reading"),
                pl.col(f"{p}_pct").alias("change_pct"),
                pl.col(f"{p}_lo95").alias("lo95"),
                pl.col(f"{p}_hi95").alias("hi95"),
            )
            for p, reading in zip(parts, READINGS, strict=True)
        ]
    )
    table = build_table(
        f"readings-{KEYS[response]}",
        say("comparisons of {response}", response=say(RESPONSES[response])),
        (
            Column(say("Setting"), lambda r: text_cell(r["label"])),
            *(
                Column(capital(say("{reading}, %", reading=say(reading))), _change_cells(part))
                for part, reading in zip(parts, READINGS, strict=True)
            ),
            Column(say("Follows wetness"), lambda r: number_cell(r["wetness_balance"], 2, sign=True)),
            Column(say("Follows clay"), lambda r: number_cell(r["clay_balance"], 2, sign=True)),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        settings.iter_rows(named=True),
        caption=say(
            "Change per step, %, with 95 % intervals. Follows: correlation of the setting's visit means with "
            "conditions."
        ),
    )
    reading = say(
        "Pooled: all loads together. Between visits: means by machine, day and field. Within visits: changes on "
        "the same machine on one day in one field; the advice uses only these."
    )
    return Figure(
        f"readings-{KEYS[response]}-chart",
        reading_finding(settings),
        reading,
        reading_strip(drawn.sort("label", maintain_order=True)),
        say("Effect of each setting from pooled loads, between visits and within visits"),
        table,
    )


def effect_sections(data: SeasonEffectsData, catalogue: Catalogue, shown: DisplayUnits) -> list[Section]:
    """Return one section per response, with a note for responses that are not fitted."""
    fitted = {r["response"]: r["n"] for r in data.effects.fit_checks.verdicts.iter_rows(named=True)}
    out = []
    for response, name in RESPONSES.items():
        title = say("What drove {response}", response=say(name))
        if response not in fitted and response not in (DIRT, ROOT_LOSS, TOPS):
            continue  # nobody expects what no file was ever delivered for
        if response not in fitted:
            nothing = say("{response}: too few measured and traced rows to fit yet.", response=capital(say(name)))
            out.append(Section(f"drivers-{KEYS[response]}", title, (Prose(nothing),)))
            continue
        about = say("Fitted on {n} {rows}.", n=number(fitted[response], 0), rows=counted_label(response))
        blocks: list[Any] = [Prose(about), _shares(data, response, catalogue)]
        blocks += effects_blocks(data.effects, response, KEYS[response], catalogue, shown)
        if (readings := _readings(data.comparisons, response, catalogue)) is not None:
            blocks.append(readings)
        blocks += pairs_blocks(data.pairs, response, KEYS[response], catalogue, shown)
        blocks += curve_blocks(data.curves, response, KEYS[response], catalogue, shown)
        out.append(Section(f"drivers-{KEYS[response]}", title, tuple(blocks)))
    return out
