"""Effects of one practical step of each setting on a response, with confounded and untried ones and failed checks."""

import polars as pl

from reports.charts.effect_strip import effect_strip
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import RESPONSES, capital, interval, join_names, setting_label
from reports.language.precision import step_value
from reports.language.reason_text import row_reason
from reports.language.translate import say, say_n, translated
from reports.page.model import Figure, Prose
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from reports.sections.effects_data import EffectsData
from reports.sections.fit_checks import check_words
from transforms.config.settings_catalogue import Catalogue

CERTAIN_Q = 0.05


def add_setting_labels(effects: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return effects with a column `label` of the settings' labels."""
    names = {n: setting_label(n, catalogue) for n in effects["setting"].unique().to_list()}
    return effects.with_columns(pl.col("setting").replace_strict(names, return_dtype=pl.String).alias("label"))


def effect_finding(effects: pl.DataFrame) -> str:
    """Return a sentence on the largest certain effect and the number of certain effects."""
    known = effects.drop_nulls("change_pct")
    certain = known.filter(pl.col("q_value") < CERTAIN_Q).sort(
        pl.col("change_pct").abs(), "setting", "wetness_class", descending=[True, False, False]
    )
    if not certain.height:
        return say("No setting shows a certain effect yet.")
    s = certain.row(0, named=True)
    strongest = say(
        "Strongest: one step up of {setting} changes it by {change} % ({span}) in {wetness} topsoil, n = {n}.",
        setting=s["label"],
        change=number(s["change_pct"], 1, sign=True),
        span=interval(s["lo95"], s["hi95"], 1),
        wetness=translated(s["wetness_class"]),
        n=number(s["n"], 0),
    )
    return (
        strongest
        + " "
        + say_n(
            "{n} of {all} effects is certain.", "{n} of {all} effects are certain.", certain.height, all=known.height
        )
    )


def effect_table(key: str, effects: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    """Return the table of effects."""
    return build_table(
        f"effects-{key}",
        say("effects on {response}", response=say(RESPONSES[effects["response"][0]])),
        (
            Column(say("Setting"), lambda r: text_cell(r["label"])),
            Column(say("One step"), lambda r: text_cell(_step(r, catalogue, shown)), numeric=False),
            Column(say("Topsoil"), lambda r: text_cell(translated(r["wetness_class"])), numeric=False),
            Column(say("Change, %"), lambda r: number_cell(r["change_pct"], 1, r["lo95"], r["hi95"], sign=True)),
            Column("n", lambda r: number_cell(r["n"], 0)),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        effects.iter_rows(named=True),
        caption=say("Change in percent for one practical step up, with 95 % interval; n is the number of rows used."),
        marks=lambda r: {"wetness": r["wetness_class"]},
    )


def _step(r: dict[str, object], catalogue: Catalogue, shown: DisplayUnits) -> str:
    return step_value(catalogue[str(r["setting"])], shown)


def caveats(effects: pl.DataFrame) -> str:
    """Return sentences on confounded settings and untried combinations; empty if there are none."""
    known = effects.drop_nulls("change_pct")
    crossed = known.filter(pl.col("reason_code") == "effect_confounded")["label"].unique(maintain_order=True).to_list()
    untried, parts = effects.height - known.height, []
    if crossed:
        parts.append(
            say("Confounded, with the opposite sign between visits: {settings}.", settings=join_names(crossed))
        )
    if untried:
        parts.append(
            say_n(
                "{n} combination of setting and wetness has not been tried enough for an estimate.",
                "{n} combinations of setting and wetness have not been tried enough for an estimate.",
                untried,
            )
        )
    return " ".join(parts)


def effects_blocks(
    data: EffectsData, response: str, key: str, catalogue: Catalogue, shown: DisplayUnits
) -> list[Figure | Prose]:
    """Return the figure of a response's effects, and a paragraph on their limits if there are any."""
    effects = add_setting_labels(data.effects.filter(pl.col("response") == response), catalogue)
    if not effects.height:
        return [Prose(say("{response}: not fitted yet.", response=capital(say(RESPONSES[response]))))]
    known = effects.drop_nulls("change_pct")
    title = say(RESPONSES[response])
    finding = say("Change of {response}.", response=title) + " " + effect_finding(effects)
    reading = say(
        "One practical step up, all else unchanged: measured associations within visits (one machine, one "
        "day, one field); 95 % intervals."
    )
    alt = say("Effect of each setting on {response}, by wetness of the topsoil", response=title)
    drawn = Figure(
        f"effects-{key}-chart",
        finding,
        reading,
        effect_strip(known) if known.height else None,
        alt,
        effect_table(key, effects, catalogue, shown),
    )
    more = " ".join(t for t in (caveats(effects), check_words(data.fit_checks, response, catalogue)) if t)
    return [drawn, Prose(more)] if more else [drawn]
