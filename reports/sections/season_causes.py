"""Third page of the season report: sources of the differences in dirt, and the settings that matter most."""

from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from reports.language.bidi import isolated
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital, interval
from reports.language.precision import setting_value
from reports.language.translate import mark, say, translated
from reports.page.model import Prose, Section
from reports.page.summary import BarPart, BarRow, BarRows, PartBar
from reports.sections.season_effects_data import SeasonEffectsData
from transforms.advice.cost_effects import SPEED, CostLevels
from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, ROOT_LOSS, TOPS
from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.config.workspace import Prices

MAX_SETTINGS = 6
SETTINGS = "settings"
SOURCES = {
    "conditions": (mark("weather, soil and crop"), ("condition",)),
    SETTINGS: (mark("settings of the machines"), ("setting",)),
    "machines": (mark("machines and operators"), ("machine", "operator")),
    "fields": (mark("fields and days"), ("field", "day", "season")),
    "error": (mark("measurement error and unknown causes"), ("lab", "unexplained")),
}
"""Part of the bar -> its name and the kinds of sources that it contains."""
CONFOUNDED = "effect_confounded"
CHANGES = {
    DIRT: {
        1: mark("dirt rises from {before} to {after} {unit} ({span})"),
        -1: mark("dirt falls from {before} to {after} {unit} ({span})"),
        0: mark("dirt stays at about {before} {unit} ({span})"),
    },
    ROOT_LOSS: {
        1: mark("roots left rise from {before} to {after} {unit} ({span})"),
        -1: mark("roots left fall from {before} to {after} {unit} ({span})"),
        0: mark("roots left stay at about {before} {unit} ({span})"),
    },
    TOPS: {
        1: mark("top tare rises from {before} to {after} {unit} ({span})"),
        -1: mark("top tare falls from {before} to {after} {unit} ({span})"),
        0: mark("top tare stays at about {before} {unit} ({span})"),
    },
    OVER_TOPPED: {
        1: mark("roots topped too deep rise from {before} to {after} {unit} ({span})"),
        -1: mark("roots topped too deep fall from {before} to {after} {unit} ({span})"),
        0: mark("roots topped too deep stay at about {before} {unit} ({span})"),
    },
    DAMAGED: {
        1: mark("roots with damaged skin rise from {before} to {after} {unit} ({span})"),
        -1: mark("roots with damaged skin fall from {before} to {after} {unit} ({span})"),
        0: mark("roots with damaged skin stay at about {before} {unit} ({span})"),
    },
}
"""Response -> direction of its change as displayed -> clause on it."""


COUNTED = {
    DIRT: mark("{n} loads"),
    ROOT_LOSS: mark("{n} plots dug"),
    TOPS: mark("{n} loads with top tare"),
    OVER_TOPPED: mark("{n} quality checks"),
    DAMAGED: mark("{n} checks of the skin"),
}


def source_shares(kinds: pl.DataFrame) -> dict[str, float]:
    """Return the share of each part in the variance of dirt, largest first; empty if dirt is not fitted.

    A part that works against the others has a negative share, which no bar can show: it counts as none, and the shares
    of the other parts add up to one. The appendix has every share as estimated.
    """
    own = dict(kinds.filter(pl.col("response") == DIRT).select("kind", "share").iter_rows())
    if not own:
        return {}
    shares = {part: max(sum(own.get(k, 0.0) for k in contained), 0.0) for part, (_, contained) in SOURCES.items()}
    total = sum(shares.values()) or 1.0
    return dict(sorted(((part, share / total) for part, share in shares.items()), key=lambda s: -s[1]))


def undivided_finding(n: int) -> str:
    """Return the sentence on a fit of `n` loads whose variance could not be divided."""
    return say(
        "How much of the differences in dirt is due to weather, soil, settings, machines and fields cannot be "
        "separated yet (n = {n} loads).",
        n=number(n, 0),
    )


def shares_finding(shares: dict[str, float], n: int) -> str:
    """Return sentences on the largest part and on the settings; `n` is the number of loads fitted."""
    first, *_ = shares
    percent = {part: number(100 * share, 0) for part, share in shares.items()}
    if first == SETTINGS:
        return say(
            "Settings, which can be changed, account for the largest share of the differences in dirt between loads: "
            "about {share} % (n = {n} loads).",
            share=percent[SETTINGS],
            n=number(n, 0),
        )
    return say(
        "{first} account for the largest share of the differences in dirt between loads, about {share} %; settings, "
        "which can be changed, for about {own} % (n = {n} loads).",
        first=capital(say(SOURCES[first][0])),
        share=percent[first],
        own=percent[SETTINGS],
        n=number(n, 0),
    )


def _bar(shares: dict[str, float]) -> PartBar:
    parts = tuple(
        BarPart(capital(say(SOURCES[part][0])), say("{share} %", share=number(100 * share, 0)), share)
        for part, share in shares.items()
    )
    return PartBar(parts, say("Sources of the differences in dirt between loads"))


@dataclass(frozen=True)
class _Shown:
    """Response as displayed: its clauses on a change, its season mean, and factor, decimals and symbol of its unit.

    A share of beet or roots changes by its odds, a root loss by itself.
    """

    clauses: dict[int, str]
    level: float
    factor: float
    digits: int
    unit: str
    is_share: bool

    def _after(self, change_pct: float, way: int) -> float:
        """Return the value after one step that changes it, or its odds, by a percentage."""
        times = (1 + change_pct / 100) ** way
        if not self.is_share:
            return self.level * self.factor * times
        return 100 * self.factor * self.level * times / (100 - self.level + self.level * times)

    def change(self, effect: dict[str, Any], way: int) -> str:
        """Return the change by one step, with the interval of the value after it; `way` is 1 up and -1 down."""
        after, *ends = (self._after(effect[k], way) for k in ("change_pct", "lo95", "hi95"))
        before = self.level * self.factor
        rise = round(after, self.digits) - round(before, self.digits)
        return say(
            self.clauses[(rise > 0) - (rise < 0)],
            before=number(before, self.digits),
            after=number(after, self.digits),
            unit=self.unit,
            span=interval(min(ends), max(ends), self.digits),
        )


def _responses(levels: CostLevels, shown: DisplayUnits) -> dict[str, _Shown]:
    """Return the measured responses as displayed."""
    share, loss = (1.0, 1, "%", True), (shown.straight("t/ha")[0], 2, shown.sign("t/ha"), False)
    return {r: _Shown(CHANGES[r], level, *(loss if r == ROOT_LOSS else share)) for r, level in levels.of.items()}


def _step(setting: Setting, usual: float | None, way: int, shown: DisplayUnits) -> str:
    """Return a setting with its usual value and the one a step away, with an arrow between; or the step's direction."""
    name = capital(translated(setting.label))
    if usual is None:
        return say("{setting} {way}", setting=name, way=translated(setting.up if way > 0 else setting.down))
    before = setting_value(usual, setting, shown, unit=False)
    return f"{isolated(name)} {before} → {setting_value(usual + way * setting.step, setting, shown)}"


def _sentence(changes: list[str]) -> str:
    """Return the changes of responses as a sentence."""
    *others, last = changes
    if not others:
        return capital(say("{change}.", change=last))
    return capital(say("{first}, and {second}.", first=", ".join(others), second=last))


@dataclass(frozen=True)
class _Worth:
    """Worth of one step of a setting, per t of clean beet.

    Attributes:
        saved: way, 1 up and -1 down -> what the step saves by all certain effects.
        largest: amount by which the largest of its effects alone changes the cost.
    """

    saved: dict[int, float]
    largest: float


def _worth(setting: Setting, effects: dict[str, dict[str, Any]], levels: CostLevels, prices: Prices) -> _Worth:
    change = {r: e["change_pct"] / 100 for r, e in effects.items()}
    step_kmh = setting.step if setting.name == SPEED else 0.0
    usual = levels.cost({}, 0, prices)
    saved = {way: usual - levels.cost(change, way, prices, step_kmh) for way in (1, -1)}
    return _Worth(saved, max(abs(levels.cost({r: c}, way, prices) - usual) for r, c in change.items() for way in saved))


def _row(
    setting: Setting,
    effects: dict[str, dict[str, Any]],
    usual: float | None,
    levels: CostLevels,
    worth: _Worth,
    shown: DisplayUnits,
) -> BarRow:
    """Return the row of one setting: one step in the direction that saves more."""
    way = max(worth.saved, key=lambda k: worth.saved[k])
    known = _responses(levels, shown)
    changes = [known[response].change(e, way) for response, e in effects.items() if response in known]
    mixed = any(e["reason_code"] == CONFOUNDED for e in effects.values())
    ns = [say(COUNTED[r], n=number(e["n"], 0)) for r, e in effects.items()]
    counted = say("n = {counted}.", counted=", ".join(ns))
    return BarRow(
        title=_step(setting, usual, way, shown),
        href=None,
        detail="",
        share=worth.largest,
        worth=say("uncertain") if mixed else say("certain"),
        action=_sentence(changes) if changes else say("Not measured this season."),
        more=" ".join([*([say("It moved together with the conditions.")] if mixed else []), counted]),
    )


def setting_rows(
    data: SeasonEffectsData, levels: CostLevels, prices: Prices, catalogue: Catalogue, shown: DisplayUnits
) -> BarRows:
    """Return the settings whose certain effects by one step are worth most, at the season's means, largest first."""
    certain = data.certain.filter(pl.col("response").is_in(list(CHANGES)))
    by: dict[str, dict[str, dict[str, Any]]] = {}
    for r in certain.sort("response", "setting").iter_rows(named=True):
        if r["setting"] in catalogue:
            by.setdefault(r["setting"], {})[r["response"]] = r
    usual = dict(data.usual.iter_rows())
    rows = []
    for name, effects in by.items():
        worth = _worth(catalogue[name], effects, levels, prices)
        rows.append(_row(catalogue[name], effects, usual.get(name), levels, worth, shown))
    rows = sorted(rows, key=lambda r: (-r.share, r.title))[:MAX_SETTINGS]
    longest = max((r.share for r in rows), default=0.0) or 1.0
    return BarRows(tuple(replace(r, share=r.share / longest) for r in rows), first=MAX_SETTINGS)


def causes_section(
    data: SeasonEffectsData, levels: CostLevels, prices: Prices, catalogue: Catalogue, shown: DisplayUnits
) -> Section:
    """Return the section on the causes of the dirt."""
    title, shares = say("What drove it"), source_shares(data.kinds)
    verdicts = data.effects.fit_checks.verdicts
    fitted = {r["response"]: r["n"] for r in verdicts.iter_rows(named=True)}
    if not shares and DIRT not in fitted:
        return Section("drivers", title, (Prose(say("Dirt is not fitted yet.")),), new_page=True)
    blocks: list[Any] = [Prose(undivided_finding(fitted.get(DIRT, 0)))]
    if shares:
        blocks = [Prose(shares_finding(shares, fitted.get(DIRT, 0))), _bar(shares)]
    rows = setting_rows(data, levels, prices, catalogue, shown)
    more = (say("All effects, with their limits"), "season-appendix.html#drivers-dirt")
    if not rows.rows:
        blocks.append(Prose(say("No setting shows a certain effect yet."), more))
    else:
        reading = say(
            "One practical step from the season's usual value, in the direction that costs less at the prices used, "
            "ordered by the worth of its largest effect; at the season's mean dirt, losses, topping and damage, all "
            "else unchanged. Brackets are 95 % intervals of the value after it. These are measured associations on the "
            "same machine, day and field, not proof."
        )
        blocks += [Prose(say("The settings that matter most:")), rows, Prose(reading, more)]
    return Section("drivers", title, tuple(blocks), new_page=True)
