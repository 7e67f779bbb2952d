"""Rounding to what is known: settings by their practical step, money to two significant digits."""

import math

from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.translate import say, say_n, translated
from transforms.config.settings_catalogue import Setting

COARSE_STEP, WHOLE_STEP = 20.0, 1.0
"""Settings with at least the first step are shown to the next ten, with at least the second as whole numbers."""
EIGHTHS, EIGHTH_DIGITS = 8, 3


def round_significant(value: float, digits: int = 2) -> float:
    """Return a value rounded to significant digits.

    >>> round_significant(1436.2), round_significant(0.0847)
    (1400.0, 0.085)
    """
    if value == 0 or not math.isfinite(value):
        return value
    return float(f"{value:.{digits - 1}e}")


def decimals(value: float, digits: int = 2) -> int:
    """Return the number of decimals that a value needs for its significant digits.

    >>> decimals(1436.2), decimals(0.0847), decimals(3.14)
    (0, 3, 1)
    """
    if value == 0 or not math.isfinite(value):
        return 0
    return max(0, digits - 1 - math.floor(math.log10(abs(round_significant(value, digits)))))


def plain_money(value: float) -> str:
    """Return an amount to two significant digits, without currency.

    >>> plain_money(1436.2), plain_money(-0.0847)
    ('1,400', '\u22120.085')
    """
    return number(round_significant(value), decimals(value))


def about_money(value: float | None, shown: DisplayUnits) -> str:
    """Return an amount of money as it is known: about, to two significant digits."""
    if value is None:
        return NO_VALUE
    return say("about {amount} {currency}", amount=plain_money(value), currency=shown.currency)


def money_range(low: float, high: float) -> str:
    """Return a range of money to two significant digits of its larger end."""
    scale = max(abs(low), abs(high))
    step = 10.0 ** (math.floor(math.log10(scale)) - 1) if scale > 0 else 1.0
    digits = max(0, -round(math.log10(step)))
    lo, hi = (number(round(v / step) * step, digits) for v in (low, high))
    return say("{lo} to {hi}", lo=lo, hi=hi)


def mass_words(value: float, shown: DisplayUnits, significant: int | None = None) -> str:
    """Return a mass with its unit as a sentence names it: in tonnes, or in US units as a number of short tons.

    Args:
        value: mass in metric tonnes.
        shown: displayed units.
        significant: significant digits of the displayed mass; None for whole units.
    """
    mass = shown.convert(value, "t")
    digits = 0 if significant is None else decimals(mass, significant)
    rounded = round(mass if significant is None else round_significant(mass, significant), digits)
    amount = number(rounded, digits)
    if shown.system != "us":
        return f"{amount} {shown.sign('t')}"
    return say_n(
        "{amount} short ton", "{amount} short tons", 1 if rounded == 1 else max(2, round(rounded)), amount=amount
    )


def setting_digits(step: float, unit: str, shown: DisplayUnits) -> int | None:
    """Return the decimals of a setting's displayed values, -1 for the next ten; None for eighths of an inch.

    Args:
        step: practical step of the setting, in its stored unit.
        unit: stored unit.
        shown: displayed units.
    """
    if shown.sign(unit) == "in":
        return None
    if step >= COARSE_STEP:
        return -1
    return 0 if step >= WHOLE_STEP else 1


def setting_value(value: float | None, setting: Setting, shown: DisplayUnits, *, unit: bool = True) -> str:
    """Return a setting's value with its unit, rounded to what an operator can set; a flag in words."""
    if value is None:
        return NO_VALUE
    if setting.is_flag:
        return translated(setting.up if value >= (setting.low + setting.high) / 2 else setting.down)
    sign = shown.sign(setting.unit) if unit else ""
    rounded, digits = rounded_setting(value, setting, shown)
    is_fraction = setting_digits(setting.step, setting.unit, shown) is None
    return f"{_eighths(rounded) if is_fraction else number(rounded, digits)} {sign}".strip()


def rounded_setting(value: float, setting: Setting, shown: DisplayUnits) -> tuple[float, int]:
    """Return a setting's value in the displayed unit, rounded to what an operator can set, and its decimals."""
    converted, digits = shown.convert(value, setting.unit), setting_digits(setting.step, setting.unit, shown)
    if digits is None:
        return round(converted * EIGHTHS) / EIGHTHS, EIGHTH_DIGITS
    return round(converted, digits), max(digits, 0)


def setting_change(before: float, after: float, setting: Setting, shown: DisplayUnits) -> str:
    """Return the difference of two values of a setting as displayed, without sign; empty for a flag and for none."""
    if setting.is_flag:
        return ""
    (first, digits), (last, _) = (rounded_setting(v, setting, shown) for v in (before, after))
    gap = round(abs(last - first), digits)
    if not gap:
        return ""
    if setting.unit == "pct":
        return say("{n} points", n=number(gap, digits))
    text = _eighths(gap) if setting_digits(setting.step, setting.unit, shown) is None else number(gap, digits)
    return f"{text} {shown.sign(setting.unit)}".strip()


def step_value(setting: Setting, shown: DisplayUnits) -> str:
    """Return the practical step of a setting with its unit: fractions of an inch, points of percent.

    Steps of built-in settings in US units are 1/4 in, 1/8 in and 1/4 mph.
    """
    if setting.is_flag:
        return f"{translated(setting.down)} → {translated(setting.up)}"
    if setting.unit == "pct":
        return say("{n} points", n=number(setting.step, 0))
    factor, _ = shown.straight(setting.unit)
    step, sign = setting.step * factor, shown.sign(setting.unit)
    if sign == "in":
        return f"{_eighths(step)} {sign}"
    usual = shown.digits(setting.unit)
    digits = usual if math.isclose(round(step, usual), step, rel_tol=1e-6) else usual + 1
    return f"{number(step, digits)} {sign}".strip()


def _eighths(inches: float) -> str:
    """Return inches as whole inches and eighths.

    >>> _eighths(2.37), _eighths(0.49), _eighths(3.0)
    ('2 3/8', '1/2', '3')
    """
    whole, part = divmod(round(abs(inches) * EIGHTHS), EIGHTHS)
    divisor = math.gcd(part, EIGHTHS)
    fraction = f"{part // divisor}/{EIGHTHS // divisor}" if part else ""
    text = " ".join(t for t in (str(whole) if whole or not part else "", fraction) if t)
    return f"\u2212{text}" if inches < 0 and text != "0" else text
