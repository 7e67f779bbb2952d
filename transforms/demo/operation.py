"""A machine's day in the demo: passes, turns, unloads, and operators who set the machine by what they see.

Operators go shallower and clean harder where it is wet, heavy or (for reasons no log holds) dirty: that is why naive
correlations mislead. On top they try things: every hour or so a setting moves for no reason at all.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from transforms.config.settings_catalogue import Catalogue
from transforms.demo.district import GENERATIONS

Array = NDArray[np.float64]
BIN_S = 30

REACTION = {
    "share_depth_cm": (-2.5, 0.0, -3.0),
    "ground_speed_kmh": (-1.5, -2.0, -2.0),
    "intake_roller_speed_pct": (2.0, 0.0, 2.0),
    "transfer_web_speed_pct": (1.0, 2.0, 2.0),
    "cleaner_1_speed_rpm": (4.0, 5.0, 6.0),
    "cleaner_2_speed_rpm": (4.0, 5.0, 6.0),
    "cleaner_3_speed_rpm": (3.0, 4.0, 5.0),
    "separator_1_height_mm": (2.0, 2.0, 3.0),
    "separator_2_height_mm": (2.0, 2.0, 3.0),
}
"""Setting -> practical steps per unit of (wetness, clay fraction, hidden log dirt) away from the usual."""

DOUBLE_WORKED, NARROW = 0.012, 0.03
"""Share of ways over ground already lifted, and of strips half as wide as the header."""
WORKING, TURNING, UNLOADING, IDLE, ROAD = range(5)
STATE_NAMES = ("working", "turning", "unloading", "idle", "road")


@dataclass
class SimulatedFieldWork:
    """What is left of a field while it is being lifted."""

    index: int
    remaining_ha: float
    pass_number: int = 0


@dataclass
class Visit:
    """One machine on one day in one field, at the logging interval.

    Attributes:
        second: seconds since the season's first midnight, UTC.
        state: index into `STATE_NAMES`.
        position_m: metres east and north of the field's centre.
        settings: actual value of each setting.
        clean_t: clean root mass lifted in each interval.
        area_ha: area lifted in each interval.
        unload_start_s: when each tank emptying began.
        unloading: whether the tank was being emptied, standing or on the move.
        sections_on_pct: part of the header that is switched on.
    """

    machine: int
    day: int
    field_index: int
    second: Array
    state: NDArray[np.int64]
    position_m: tuple[Array, Array]
    settings: dict[str, Array]
    clean_t: Array
    area_ha: Array
    pass_noise: Array
    unloading: NDArray[np.bool_]
    tank_t: Array
    sections_on_pct: Array
    unload_start_s: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class Operator:
    """A machine with its operator's habits: the value each setting is usually run at."""

    machine: int
    generation: str
    habits: dict[str, float]

    @property
    def width_m(self) -> float:
        """Working width in metres."""
        fitted = GENERATIONS[self.generation]
        return float(fitted["rows"]) * float(fitted["row_spacing_cm"]) / 100  # type: ignore[arg-type]

    @property
    def tank_capacity_t(self) -> float:
        """Tank capacity in tonnes."""
        return float(GENERATIONS[self.generation]["tank_capacity_t"])  # type: ignore[arg-type]


def hire_operator(rng: np.random.Generator, machine: int, generation: str) -> Operator:
    """Draw an operator's habits around what is typical of the generation."""
    typical: dict[str, tuple[float, float]] = GENERATIONS[generation]["settings"]  # type: ignore[assignment]
    return Operator(machine, generation, {s: rng.normal(mean, spread) for s, (mean, spread) in typical.items()})


def _setting_course(
    rng: np.random.Generator, operator: Operator, catalogue: Catalogue, seen: tuple[float, float, float], seconds: Array
) -> dict[str, Array]:
    """Return what each setting is held at over a visit: habit, reaction to what is seen, and hourly trying."""
    wetness, clay, hidden = seen
    course = {}
    hours = (seconds[-1] - seconds[0]) / 3600
    for name, habit in operator.habits.items():
        setting = catalogue[name]
        a_wet, a_clay, a_hidden = REACTION.get(name, (0.0, 0.0, 0.0))
        reaction = a_wet * (wetness - 0.5) + a_clay * (clay - 0.24) + a_hidden * hidden + rng.normal(0, 0.6)
        changes = np.sort(rng.uniform(0, hours * 3600, rng.poisson(hours / 1.1)))
        tried = rng.normal(0, 0.95, changes.size + 1)
        steps = reaction + tried[np.searchsorted(changes, seconds - seconds[0])]
        value = habit + steps * setting.step
        course[name] = np.clip(value, setting.low * 1.02 + 0.01, setting.high * 0.98)
    course["ground_speed_kmh"] = np.clip(course["ground_speed_kmh"], 3.0, 9.0)
    course["share_depth_cm"] = np.clip(course["share_depth_cm"], 4.0, 11.0)
    return course


@dataclass(frozen=True)
class _Span:
    """A stretch of one state. `track` is the strip of ground, `rows` the part of the header that has beet."""

    start_s: float
    end_s: float
    state: int
    way: int = 0
    track: int = 0
    rows: float = 1.0


def _strip(rng: np.random.Generator, way: int, track: int) -> tuple[int, float]:
    """The strip of the next way: now and then one already lifted is worked again, or one is narrower."""
    kind = rng.random()
    if kind < DOUBLE_WORKED and way > 0:
        return track, 0.0
    return track + 1, 0.5 if kind > 1 - NARROW else 1.0


def _passes(
    rng: np.random.Generator, operator: Operator, speed_at: Array, seconds: Array, plot: tuple[float, float, float]
) -> tuple[list[_Span], list[tuple[float, float]], float]:
    """Walk the visit pass by pass; return spans, unload spans, and area lifted."""
    length_m, remaining_ha, yield_t_ha = plot
    spans: list[_Span] = []
    unloads: list[tuple[float, float]] = []
    clock, end, tank, lifted, way, track = seconds[0], seconds[-1], 0.0, 0.0, 0, -1
    noon = seconds[0] + rng.uniform(3.5, 5.0) * 3600
    rested = False
    while clock < end and lifted < remaining_ha:
        if not rested and clock > noon:
            spans.append(_Span(clock, clock + 1800, IDLE, way, track))
            clock, rested = clock + 1800, True
            continue
        speed = speed_at[min(int((clock - seconds[0]) / (seconds[1] - seconds[0])), speed_at.size - 1)]
        duration = length_m / (speed / 3.6)
        track, rows = _strip(rng, way, track)
        area = rows * length_m * operator.width_m / 10_000
        if tank + area * yield_t_ha > operator.tank_capacity_t * 1.02 and tank > 0:
            on_the_move = operator.generation == "two" and rng.random() < 0.4
            empties = clock, clock + rng.uniform(70, 110)
            unloads.append(empties)
            tank = 0.0
            if not on_the_move:
                spans.append(_Span(*empties, UNLOADING, way, track))
                clock = empties[1]
        spans.append(_Span(clock, clock + duration, WORKING, way, track, rows))
        turn = clock + duration + rng.uniform(18, 34)
        spans.append(_Span(clock + duration, turn, TURNING, way, track))
        clock, tank, lifted, way = turn, tank + area * yield_t_ha, lifted + area, way + 1
    clock = min(clock, end)
    if tank > 0:
        unloads.append((clock, clock + 90))
        spans.append(_Span(clock, clock + 90, UNLOADING, way, track))
    return spans, unloads, lifted


def _patches(rng: np.random.Generator, tracks: int, spread: float) -> Array:
    """Log of the yield of each strip about the field's: neighbours are alike."""
    out, memory = np.zeros(tracks), 0.93
    for i in range(1, tracks):
        out[i] = memory * out[i - 1] + rng.normal(0, spread * np.sqrt(1 - memory**2))
    return out


def work_visit(
    rng: np.random.Generator,
    operator: Operator,
    catalogue: Catalogue,
    work: SimulatedFieldWork,
    *,
    day: int,
    start_s: float,
    end_s: float,
    interval_s: float,
    seen: tuple[float, float, float],
    side_m: float,
    yield_t_ha: float,
    patchiness: float,
) -> Visit:
    """Lift one field with one machine until it is done or the day is, and return every logged interval."""
    seconds = np.arange(start_s, end_s, interval_s)
    course = _setting_course(rng, operator, catalogue, seen, seconds)
    spans, unloads, lifted = _passes(
        rng, operator, course["ground_speed_kmh"], seconds, (side_m, work.remaining_ha, yield_t_ha)
    )
    seconds = np.arange(start_s, spans[-1].end_s, interval_s)
    course = {n: np.pad(v, (0, max(0, seconds.size - v.size)), mode="edge")[: seconds.size] for n, v in course.items()}
    at = np.clip(np.searchsorted([s.start_s for s in spans], seconds, side="right") - 1, 0, len(spans) - 1)
    start, stop, rows = (np.array([getattr(s, f) for s in spans])[at] for f in ("start_s", "end_s", "rows"))
    state, way, track = (np.array([getattr(s, f) for s in spans])[at] for f in ("state", "way", "track"))
    working = state == WORKING
    along = np.clip((seconds - start) / (stop - start), 0, 1)
    strip = work.pass_number + np.maximum(track, 0)
    north = np.where(way % 2 == 0, along - 0.5, 0.5 - along)
    north = np.where(working, north, np.where(way % 2 == 0, 0.5, -0.5)) * side_m
    across = (strip * operator.width_m) % side_m - side_m / 2
    noise = rng.normal(0, 1, int(strip.max()) + 2)[strip]
    patch = _patches(rng, int(track.max()) + 2, patchiness)[np.maximum(track, 0)]
    swept = course["ground_speed_kmh"] / 3.6 * operator.width_m * interval_s / 10_000
    area = np.where(working, swept * rows, 0.0)
    clean = area * yield_t_ha * np.exp(0.05 * noise + patch)
    unloading = np.zeros(seconds.size, dtype=bool)
    for a, b in unloads:
        unloading |= (seconds >= a) & (seconds < b)
    work.remaining_ha -= lifted
    work.pass_number = int(strip.max()) + 1
    return Visit(
        operator.machine,
        day,
        work.index,
        seconds,
        state,
        (across, north),
        course,
        clean,
        area,
        noise,
        unloading,
        _tank_course(seconds, clean, unloads),
        np.where(working & (rows == 0.5), 50.0, 100.0),
        [a for a, _ in unloads],
    )


def _tank_course(seconds: Array, clean: Array, unloads: list[tuple[float, float]]) -> Array:
    """Return the tank's content in tonnes: what was lifted less what has run out, each unload running at one rate."""
    held = np.cumsum(clean)
    gone = np.zeros(seconds.size)
    before = 0.0
    for a, b in unloads:
        level = float(np.interp(a, seconds, held))
        gone += (level - before) * np.clip((seconds - a) / (b - a), 0, 1)
        before = level
    return np.maximum(held - gone, 0)
