"""Simulated operation of a machine in a field: passes, turns, unloads and tank content."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from transforms.config.settings_catalogue import Catalogue
from transforms.demo.operators import Operator, settings_over_time

Array = NDArray[np.float64]
BIN_S = 30


REPEATED_SHARE, NARROW_SHARE = 0.012, 0.03
"""Share of passes over ground already lifted, and of strips half as wide as the header."""
WORKING, TURNING, UNLOADING, IDLE, ROAD = range(5)
STATE_NAMES = ("working", "turning", "unloading", "idle", "road")


@dataclass
class SimulatedFieldWork:
    """Remaining part of a field during harvest."""

    index: int
    remaining_ha: float
    pass_number: int = 0


@dataclass
class Visit:
    """One machine on one day in one field, at the logging interval.

    Attributes:
        machine: index of the machine.
        day: day of the campaign, from 0.
        field_index: index of the field.
        second: seconds since the season's first midnight, UTC.
        state: index into `STATE_NAMES`.
        position_m: metres east and north of the field's centre.
        settings: actual value of each setting.
        clean_t: clean root mass lifted in each interval.
        area_ha: area lifted in each interval.
        pass_noise: random deviation of each strip, standard normal.
        unloading: True while the tank is unloaded, stationary or while driving.
        tank_t: tank content.
        sections_on_pct: active part of the header.
        unload_start_s: start of each unload.
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
class VisitConditions:
    """Time, place and conditions of a visit.

    Attributes:
        day: day of the campaign, from 0.
        start_s: start, seconds since the season's first midnight.
        end_s: latest end, likewise.
        interval_s: logging interval.
        seen: (wetness, clay fraction, hidden log dirt) that the operator reacts to.
        side_m: side of the square field.
        yield_t_ha: clean beet yield.
        patchiness: standard deviation of the log of yield along the field.
    """

    day: int
    start_s: float
    end_s: float
    interval_s: float
    seen: tuple[float, float, float]
    side_m: float
    yield_t_ha: float
    patchiness: float


@dataclass(frozen=True)
class _Span:
    """A time span of one state.

    Attributes:
        start_s: its start, seconds since the season's first midnight.
        end_s: its end, likewise.
        state: index into `STATE_NAMES`.
        pass_index: number of the pass within the visit.
        track: number of the strip of ground.
        rows: fraction of the header width with beet.
    """

    start_s: float
    end_s: float
    state: int
    pass_index: int = 0
    track: int = 0
    rows: float = 1.0


def _strip(rng: np.random.Generator, pass_index: int, track: int) -> tuple[int, float]:
    """Return the strip of the next pass and its width: occasionally it is already lifted, or half as wide."""
    kind = rng.random()
    if kind < REPEATED_SHARE and pass_index > 0:
        return track, 0.0
    return track + 1, 0.5 if kind > 1 - NARROW_SHARE else 1.0


@dataclass(frozen=True)
class _PassSequence:
    """Passes of a visit.

    Attributes:
        spans: the time spans of its states.
        unloads: (start, end) of each unload.
        lifted_ha: area lifted.
    """

    spans: list[_Span]
    unloads: list[tuple[float, float]]
    lifted_ha: float


def _simulate_passes(
    rng: np.random.Generator, operator: Operator, speed_at: Array, seconds: Array, plot: tuple[float, float, float]
) -> _PassSequence:
    """Simulate the visit pass by pass until the field or the day ends."""
    length_m, remaining_ha, yield_t_ha = plot
    spans: list[_Span] = []
    unloads: list[tuple[float, float]] = []
    clock, end, tank, lifted, pass_index, track = seconds[0], seconds[-1], 0.0, 0.0, 0, -1
    noon = seconds[0] + rng.uniform(3.5, 5.0) * 3600
    had_break = False
    while clock < end and lifted < remaining_ha:
        if not had_break and clock > noon:
            spans.append(_Span(clock, clock + 1800, IDLE, pass_index, track))
            clock, had_break = clock + 1800, True
            continue
        speed = speed_at[min(int((clock - seconds[0]) / (seconds[1] - seconds[0])), speed_at.size - 1)]
        duration = length_m / (speed / 3.6)
        track, rows = _strip(rng, pass_index, track)
        area = rows * length_m * operator.width_m / 10_000
        if tank + area * yield_t_ha > operator.machine_type.tank_capacity_t * 1.02 and tank > 0:
            is_moving = operator.machine_type.unloads_moving and rng.random() < 0.4
            unload = clock, clock + rng.uniform(70, 110)
            unloads.append(unload)
            tank = 0.0
            if not is_moving:
                spans.append(_Span(*unload, UNLOADING, pass_index, track))
                clock = unload[1]
        spans.append(_Span(clock, clock + duration, WORKING, pass_index, track, rows))
        turn = clock + duration + rng.uniform(18, 34)
        spans.append(_Span(clock + duration, turn, TURNING, pass_index, track))
        clock, tank, lifted, pass_index = turn, tank + area * yield_t_ha, lifted + area, pass_index + 1
    clock = min(clock, end)
    if tank > 0:
        unloads.append((clock, clock + 90))
        spans.append(_Span(clock, clock + 90, UNLOADING, pass_index, track))
    return _PassSequence(spans, unloads, lifted)


def _yield_pattern(rng: np.random.Generator, tracks: int, sd: float) -> Array:
    """Return the log of each strip's yield relative to the field's; neighbouring strips are correlated."""
    out, memory = np.zeros(tracks), 0.93
    for i in range(1, tracks):
        out[i] = memory * out[i - 1] + rng.normal(0, sd * np.sqrt(1 - memory**2))
    return out


def work_visit(
    rng: np.random.Generator,
    operator: Operator,
    catalogue: Catalogue,
    work: SimulatedFieldWork,
    conditions: VisitConditions,
) -> Visit:
    """Simulate one machine in one field until the field or the day ends.

    Args:
        rng: the random generator of the season.
        operator: the machine and its operator.
        catalogue: the settings catalogue.
        work: the remaining field; updated by this visit.
        conditions: time, place and conditions of the visit.
    """
    side_m, interval_s, yield_t_ha = conditions.side_m, conditions.interval_s, conditions.yield_t_ha
    seconds = np.arange(conditions.start_s, conditions.end_s, interval_s)
    settings = settings_over_time(rng, operator, catalogue, conditions.seen, seconds)
    passes = _simulate_passes(
        rng, operator, settings["ground_speed_kmh"], seconds, (side_m, work.remaining_ha, yield_t_ha)
    )
    spans = passes.spans
    seconds = np.arange(conditions.start_s, spans[-1].end_s, interval_s)
    settings = {
        n: np.pad(v, (0, max(0, seconds.size - v.size)), mode="edge")[: seconds.size] for n, v in settings.items()
    }
    at = np.clip(np.searchsorted([s.start_s for s in spans], seconds, side="right") - 1, 0, len(spans) - 1)
    start, stop, rows = (np.array([getattr(s, f) for s in spans])[at] for f in ("start_s", "end_s", "rows"))
    state, pass_index, track = (np.array([getattr(s, f) for s in spans])[at] for f in ("state", "pass_index", "track"))
    working = state == WORKING
    strip = work.pass_number + np.maximum(track, 0)
    north = _distance_north_m((seconds - start) / (stop - start), pass_index, working, side_m)
    across = (strip * operator.width_m) % side_m - side_m / 2
    noise = rng.normal(0, 1, int(strip.max()) + 2)[strip]
    pattern = _yield_pattern(rng, int(track.max()) + 2, conditions.patchiness)[np.maximum(track, 0)]
    swept = settings["ground_speed_kmh"] / 3.6 * operator.width_m * interval_s / 10_000
    area = np.where(working, swept * rows, 0.0)
    clean = area * yield_t_ha * np.exp(0.05 * noise + pattern)
    unloading = np.zeros(seconds.size, dtype=bool)
    for a, b in passes.unloads:
        unloading |= (seconds >= a) & (seconds < b)
    work.remaining_ha -= passes.lifted_ha
    work.pass_number = int(strip.max()) + 1
    return Visit(
        operator.machine,
        conditions.day,
        work.index,
        seconds,
        state,
        (across, north),
        settings,
        clean,
        area,
        noise,
        unloading,
        _tank_content_t(seconds, clean, passes.unloads),
        np.where(working & (rows == 0.5), 50.0, 100.0),
        [a for a, _ in passes.unloads],
    )


def _distance_north_m(along: Array, pass_index: Array, working: NDArray[np.bool_], side_m: float) -> Array:
    """Return metres north of the field's centre: up and down in turns while working, at the edge otherwise."""
    along = np.clip(along, 0, 1)
    north = np.where(pass_index % 2 == 0, along - 0.5, 0.5 - along)
    return np.asarray(np.where(working, north, np.where(pass_index % 2 == 0, 0.5, -0.5)) * side_m)


def _tank_content_t(seconds: Array, clean: Array, unloads: list[tuple[float, float]]) -> Array:
    """Return the tank content in tonnes: the mass lifted less the mass unloaded, at a constant rate per unload."""
    lifted = np.cumsum(clean)
    unloaded = np.zeros(seconds.size)
    before = 0.0
    for a, b in unloads:
        level = float(np.interp(a, seconds, lifted))
        unloaded += (level - before) * np.clip((seconds - a) / (b - a), 0, 1)
        before = level
    return np.maximum(lifted - unloaded, 0)
