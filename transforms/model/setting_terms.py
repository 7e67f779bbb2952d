"""Terms of the settings: effects within visits, their changes with conditions and soil, curves, and visit means.

A setting is in practical steps from its middle. Columns within visits are departures from the visit mean, so that their
coefficients are within contrasts; they are 0 for visits without the setting.
"""

from abc import abstractmethod
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from transforms.arrays import Array
from transforms.config.settings_catalogue import Setting
from transforms.mixed_model.p_spline import PSpline
from transforms.model.modifiers import Modifier
from transforms.model.term import Multipliers, SingleTerm, Term, TermRows
from transforms.model.visits import visit_means

SHARED_BENDS = {"more": "shared bend, more", "less": "shared bend, less"}
"""Direction of effects on root loss -> label of their common curvature."""
STEPS_A_PIECE = 2
"""Practical steps between the knots of a setting's curve."""


def setting_origin(setting: Setting) -> float:
    """Return the origin of a setting's steps, in its unit: the middle of its curve or else of its range."""
    low, high = setting.curve or (setting.low, setting.high)
    return (low + high) / 2


@cache
def curve_spline(setting: Setting) -> PSpline:
    """Return the P-spline of a setting with a curve; knots are two practical steps apart.

    Raises:
        ValueError: the setting has no curve.
    """
    if setting.curve is None:
        raise ValueError(f"setting {setting.name} has no curve in the catalogue; give it a `curve` to model one")
    low, high = setting.curve
    return PSpline(low, high, max(round((high - low) / (STEPS_A_PIECE * setting.step)), 3))


class StepTerm(SingleTerm):
    """A term within visits that is linear in the setting's steps: steps times a multiplier."""

    kind = "within"
    setting: str

    @abstractmethod
    def multiplier(self, multipliers: Multipliers) -> Array:
        """Return the values that multiply the steps, shape (n,)."""


@dataclass(frozen=True)
class SettingEffect(StepTerm):
    """Effect of one step of a setting within visits."""

    setting: str

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return self.setting

    def multiplier(self, multipliers: Multipliers) -> Array:
        """Return ones."""
        return np.ones(multipliers.n)

    def column(self, rows: TermRows) -> Array:
        """Return the departures from the visit mean."""
        return rows.departures[self.setting]


@dataclass(frozen=True)
class SettingBy(StepTerm):
    """Change of a setting's effect within visits with a modifier."""

    setting: str
    modifier: Modifier

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return f"{self.setting} by {self.modifier.label}"

    @property
    def block(self) -> str:
        """Name of the variance that all settings and modifiers of this name share."""
        return f"settings by {self.modifier.name}"

    def multiplier(self, multipliers: Multipliers) -> Array:
        """Return the values of the modifier."""
        return multipliers.by[self.modifier.label]

    def column(self, rows: TermRows) -> Array:
        """Return the departures of steps times modifier from their visit mean."""
        product = rows.steps[self.setting] * self.multiplier(rows.multipliers)
        return np.asarray((product - rows.visit_mean(product)) * rows.known[self.setting])


@dataclass(frozen=True)
class SettingOnSoil(StepTerm):
    """Difference of a setting's effect within visits on one soil class."""

    setting: str
    soil: str

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return f"{self.setting} on {self.soil} soil"

    @property
    def block(self) -> str:
        """Name of the variance that all settings and soil classes share."""
        return "settings by soil"

    def multiplier(self, multipliers: Multipliers) -> Array:
        """Return 1 on the soil class and 0 elsewhere."""
        return multipliers.on_soil[self.soil]

    def column(self, rows: TermRows) -> Array:
        """Return the departures from the visit mean on the soil class, 0 elsewhere."""
        return np.asarray(rows.departures[self.setting] * self.multiplier(rows.multipliers))


@dataclass(frozen=True)
class SettingCurve(Term):
    """Curve of a setting's effect within visits, without its line.

    Attributes:
        spec: the setting; it has a curve.
    """

    kind = "within"
    spec: Setting
    setting: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "setting", self.spec.name)

    @property
    def block(self) -> str:
        """Name of the variance that the curves of all settings share: few rows cannot tell that of one."""
        return "bends of settings"

    def labels(self) -> tuple[str, ...]:
        """Return the labels of its coefficients."""
        return tuple(f"bend of {self.setting}[{i}]" for i in range(curve_spline(self.spec).width))

    def at(self, values: Array) -> Array:
        """Return its columns at values of the setting, without visit means, shape (n, q)."""
        return curve_spline(self.spec).columns(values)

    def at_steps(self, steps: Array) -> Array:
        """Return its columns at steps from the middle, without visit means, shape (n, q)."""
        return self.at(setting_origin(self.spec) + steps * self.spec.step)

    def slopes(self, steps: Array) -> Array:
        """Return the mean change of its columns per step up and per step down, shape (n, q)."""
        return curve_spline(self.spec).slopes(setting_origin(self.spec) + steps * self.spec.step, self.spec.step)

    def columns(self, rows: TermRows) -> Array:
        """Return the departures of the curve from its visit mean, shape (n, q)."""
        curve = self.at_steps(rows.steps[self.setting])
        return np.asarray((curve - visit_means(curve, rows.visit)) * rows.known[self.setting][:, None])


@dataclass(frozen=True)
class SharedBend(SingleTerm):
    """Common curvature of the settings that act on root loss in one direction, within visits: half their squared steps.

    A loss that falls with a setting falls ever more slowly, and one that rises with it ever faster. One season shows
    this of all such settings together, but seldom of one alone. Directions differ: tips stop breaking once the share is
    deep enough, while roots are lost through a gap ever faster.

    Attributes:
        breaks: direction of the settings' effect on root loss, "more" or "less".
        specs: the settings.
    """

    kind = "within"
    setting = None
    breaks: str
    specs: tuple[Setting, ...]

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return SHARED_BENDS[self.breaks]

    def column(self, rows: TermRows) -> Array:
        """Return the departures of the sum of half squares from its visit mean."""
        halves = sum(rows.steps[s.name] ** 2 / 2 * rows.known[s.name] for s in self.specs)
        return np.asarray(halves - rows.visit_mean(np.asarray(halves)))


@dataclass(frozen=True)
class SettingSquare:
    """Part of one setting in the shared bend, as a curve with one column."""

    spec: Setting

    def labels(self) -> tuple[str, ...]:
        """Return the label of the shared coefficient; none if the setting has no known direction."""
        return () if self.spec.breaks is None else (SHARED_BENDS[self.spec.breaks],)

    def at(self, values: Array) -> Array:
        """Return its column at values of the setting, without visit means, shape (n, 1)."""
        return self.at_steps((values - setting_origin(self.spec)) / self.spec.step)

    def at_steps(self, steps: Array) -> Array:
        """Return its column at steps from the middle, without visit means, shape (n, 1)."""
        return np.asarray(steps[:, None] ** 2 / 2)

    def slopes(self, steps: Array) -> Array:
        """Return the mean change of its column per step up and per step down, shape (n, 1)."""
        return steps[:, None]


@dataclass(frozen=True)
class VisitMean(SingleTerm):
    """Slope between visits: the setting's mean over the visit."""

    kind = "between"
    setting: str

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return f"visit mean {self.setting}"

    def column(self, rows: TermRows) -> Array:
        """Return the visit means."""
        return rows.means[self.setting]


@dataclass(frozen=True)
class VisitMeanBy(SingleTerm):
    """Change of the slope between visits with a modifier."""

    kind = "between"
    setting: str
    modifier: Modifier

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return f"visit mean {self.setting} by {self.modifier.label}"

    @property
    def block(self) -> str:
        """Name of the variance that all settings share."""
        return f"visit means by {self.modifier.name}"

    def column(self, rows: TermRows) -> Array:
        """Return the visit means of steps times modifier."""
        return rows.visit_mean(rows.steps[self.setting] * rows.multipliers.by[self.modifier.label])


@dataclass(frozen=True)
class WithoutSetting(SingleTerm):
    """Indicator of visits without a value of the setting."""

    kind = "missing"
    setting: str

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return f"without {self.setting}"

    def column(self, rows: TermRows) -> Array:
        """Return 1 for visits without the setting, else 0."""
        return np.asarray(1.0 - rows.known[self.setting])
