"""Labels and phrases for settings, sources, moves and intervals; every number in them comes from a mart."""

from reports.language.bidi import isolated
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.precision import step_value
from reports.language.translate import mark, say, translated
from transforms.config.response_catalogue import (
    DAMAGED,
    DIRT,
    OVER_TOPPED,
    ROOT_LOSS,
    TIP_LOSS,
    TOPS,
    UNDER_TOPPED,
    WHOLE_ROOT_LOSS,
)
from transforms.config.response_catalogue import RESPONSES as RESPONSE_CATALOGUE
from transforms.config.settings_catalogue import Catalogue

SOURCE_LABELS = {
    "field": mark("this field's own effect"),
    "machine": mark("this machine's own effect"),
    "machine_day": mark("this machine on this day"),
    "operator": mark("this operator's own effect"),
    "site_day": mark("this day at the factory"),
    "season": mark("this season's own effect"),
    "lab and unexplained": mark("measurement error and unexplained"),
}
CONDITION_LABELS = {
    "topsoil_wetness": mark("topsoil wetness"),
    "clay_pct": mark("clay"),
    "air_temp_c": mark("air temperature"),
    "air_temp_10d_c": mark("air temperature of the ten days before"),
    "yield_t_ha": mark("yield"),
    "root_mass_kg": mark("mean root mass"),
    "campaign_day": mark("day of campaign"),
    "row_spacing_cm": mark("row spacing"),
}
KINDS = {
    "condition": mark("conditions"),
    "setting": mark("settings"),
    "machine": mark("machines"),
    "operator": mark("operators"),
    "field": mark("fields"),
    "day": mark("days"),
    "season": mark("seasons"),
    "lab": mark("measurement error"),
    "unexplained": mark("unexplained"),
}
CHECK_LABELS = {
    "placebo": mark("placebo: settings of the next load"),
    "out_of_field": mark("fields left out, against boosted trees"),
    "out_of_field_last_load": mark("fields left out, against the last load"),
    "later_week": mark("later weeks, against boosted trees"),
    "later_week_last_load": mark("later weeks, against the last load"),
    "coverage": mark("coverage of intervals"),
    "influence_field": mark("influence of one field"),
    "influence_machine": mark("influence of one machine"),
    "robust_errors": mark("errors by cluster of machines and days"),
    "balance": mark("settings that follow wetness"),
    "site_day": mark("factory days"),
    "tails": mark("tails"),
    "sampling": mark("choice of samples"),
    "successive_loads": mark("successive loads of a visit"),
    "sensor_noise": mark("noise of sensors"),
    "rounding": mark("rounding of laboratory values"),
    "last_season": mark("agreement with last season"),
    "loss_parts": mark("root loss and the sum of its parts"),
}
"""Check of a fit -> label."""
SETTING_GROUPS = {
    "shared bend, more": mark("common curve of settings that lose more roots when they are raised"),
    "shared bend, less": mark("common curve of settings that lose fewer roots when they are raised"),
}
"""Group of settings that share a coefficient -> label."""
UNJUDGED = "few"
"""Code of subjects that are compared but not judged, for which `benchmark.standing` is null."""
STANDING = {
    "lower": mark("clearly lower"),
    "usual": mark("not clearly different"),
    "higher": mark("clearly higher"),
    UNJUDGED: mark("few, not judged"),
}
"""Code of a standing -> label; texts, tables and charts share the code."""
RESPONSES = {
    DIRT: mark("dirt tare"),
    ROOT_LOSS: mark("root loss"),
    TOPS: mark("top tare"),
    TIP_LOSS: mark("loss of broken tips"),
    WHOLE_ROOT_LOSS: mark("loss of whole roots"),
    UNDER_TOPPED: mark("roots with long leaf stalks"),
    OVER_TOPPED: mark("roots topped too deep"),
    DAMAGED: mark("damaged roots"),
}
COUNTED = {
    "load_fact": mark("measured loads"),
    "audit_fact": mark("dig-behind plots"),
    "root_check_fact": mark("quality checks"),
}
"""Table of facts -> what is counted in it."""


def counted_label(response: str) -> str:
    """Return what is counted for a response, such as measured loads, in the page's language."""
    return say(COUNTED[RESPONSE_CATALOGUE[response].facts])


def response_label(response: str) -> str:
    """Return the label of a response in the page's language; its name if it has no label."""
    return say(RESPONSES[response]) if response in RESPONSES else response


def standing_label(standing: str | None) -> str:
    """Return the label of a subject's standing in the page's language; empty if it is not compared."""
    return say(STANDING[standing]) if standing in STANDING else ""


def check_label(check: str) -> str:
    """Return the label of a check of a fit in the page's language; its name if it has no label."""
    return say(CHECK_LABELS[check]) if check in CHECK_LABELS else check


def setting_label(name: str, catalogue: Catalogue) -> str:
    """Return the label of a setting or sensor in the page's language; its name if it has no label."""
    if name in SETTING_GROUPS:
        return say(SETTING_GROUPS[name])
    return translated(catalogue[name].label if name in catalogue else name)


def source_label(source: str, catalogue: Catalogue) -> str:
    """Return the label of a source of a load's deviation from the typical load."""
    if source in catalogue:
        return setting_label(source, catalogue)
    label = SOURCE_LABELS.get(source) or CONDITION_LABELS.get(source)
    return translated(source) if label is None else say(label)


def condition_label(name: str) -> str:
    """Return the label of a condition of the model."""
    return say(CONDITION_LABELS[name])


def interval(low: float | None, high: float | None, digits: int = 0) -> str:
    """Return an interval as text.

    >>> interval(7.94, 9.31, 1)
    '7.9 to 9.3'
    """
    return say("{lo} to {hi}", lo=number(low, digits), hi=number(high, digits))


def mean_interval(mean: float, half: float | None) -> str:
    """Return the interval of a mean as text, given its half-width; a note if the half-width is None."""
    if half is None:
        return say("no interval: fewer than two visits")
    return interval(mean - half, mean + half, 1)


def capital(text: str) -> str:
    """Return a text with its first letter in upper case and the rest unchanged.

    >>> capital("share depth")
    'Share depth'
    """
    return text[:1].upper() + text[1:]


def join_names(names: list[str], max_names: int = 6) -> str:
    """Return names as a comma-separated list; after `max_names` names only the number of the others.

    >>> join_names(["M1", "M2", "M3"], max_names=2)
    'M1, M2 and 1 more'
    """
    if len(names) <= max_names:
        return ", ".join(isolated(n) for n in names)
    some = ", ".join(isolated(n) for n in names[:max_names])
    return say("{some} and {n} more", some=some, n=len(names) - max_names)


def describe_step(name: str, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return one practical step up of a setting, such as `share depth 0.5 cm deeper`; of a flag, both states."""
    setting = catalogue[name]
    if setting.is_flag:
        return f"{setting_label(name, catalogue)}: {step_value(setting, shown)}"
    return f"{setting_label(name, catalogue)} {step_value(setting, shown)} {translated(setting.up)}"


def format_probability(probability: float) -> str:
    """Return a probability as `n in 100`, at most 99.

    >>> format_probability(0.999)
    '99 in 100'
    """
    return say("{n} in 100", n=min(round(100 * probability), 99))


def conditions_label(wetness: str | None, soil: str | None) -> str:
    """Return a class of conditions as text."""
    return say(
        "{wetness} topsoil, {soil} soil",
        wetness=translated(wetness or NO_VALUE),
        soil=translated(soil or NO_VALUE),
    )
