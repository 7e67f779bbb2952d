"""The whole invented season: weather, work, haulage, lab and audits, with its truth."""

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.settings_catalogue import DIRT, ROOT_LOSS, Catalogue
from transforms.demo import mechanics
from transforms.demo.district import LOCAL_ZONE, District, build_district
from transforms.demo.haulage import Batch, TruckLoad, fill_trucks, heap_loads, spoil_tickets, weigh
from transforms.demo.lab import audit_plots, lab_results
from transforms.demo.operation import BIN_S, WORKING, Operator, SimulatedFieldWork, Visit, hire_operator, work_visit
from transforms.demo.scenario import DEMO, Scenario
from transforms.demo.weather import invent_weather, true_wetness

Array = NDArray[np.float64]
SPIN_UP_DAYS = 10


@dataclass(frozen=True)
class Plan:
    """How big the demo season is.

    Attributes:
        machines: size of the fleet.
        days: days of campaign.
        seed: the same seed gives the same season to the byte.
        hz: log records per second.
        hardship: what makes it hard to trace.
    """

    machines: int = 12
    days: int = 30
    seed: int = 1
    hz: float = 0.1
    hardship: Scenario = DEMO


@dataclass(frozen=True)
class DemoSeason:
    """What was harvested and measured; `true_*` frames are for tests alone.

    `records` is one row per logged instant; `second` counts from `midnight`.
    """

    plan: Plan
    district: District
    midnight: dt.datetime
    weather: pl.DataFrame
    records: pl.DataFrame
    tickets: pl.DataFrame
    tares: pl.DataFrame
    audits: pl.DataFrame
    true_bins: pl.DataFrame
    true_trace: pl.DataFrame
    true_effects: pl.DataFrame


@dataclass(frozen=True)
class _Hidden:
    field: Array
    machine: Array
    machine_day: Array


def _midnight(first_day: str) -> dt.datetime:
    return dt.datetime.fromisoformat(first_day).replace(tzinfo=ZoneInfo(LOCAL_ZONE)).astimezone(dt.UTC)


def _wetness_by_hour(rng: np.random.Generator, district: District, weather: pl.DataFrame) -> Array:
    """True wetness, hours x fields."""
    fields = district.fields
    shift = rng.normal(0, 0.04, len(fields))
    hours = weather.filter(pl.col("station_id") == weather["station_id"][0]).height
    out = np.empty((hours, len(fields)))
    clay = fields["clay_pct"].to_numpy() / 100
    for station in fields["station_id"].unique(maintain_order=True):
        mine = (fields["station_id"] == station).to_numpy()
        out[:, mine] = true_wetness(weather.filter(pl.col("station_id") == station), clay[mine], shift[mine])
    return out


def _work_season(
    rng: np.random.Generator, plan: Plan, district: District, catalogue: Catalogue, hidden: _Hidden, wetness: Array
) -> list[Visit]:
    """Send every machine to work every day; a machine whose field is done takes the next, or joins a big one."""
    fields = district.fields
    operators: list[Operator] = [
        hire_operator(rng, i, g) for i, g in enumerate(district.machines["generation"].to_list())
    ]
    areas = fields["area_ha"].to_list()
    queue = [int(i) for i in rng.permutation(len(fields))]
    open_work: dict[int, SimulatedFieldWork] = {}
    visits: list[Visit] = []
    for day in range(plan.days):
        for operator in operators:
            evening = 12 * 3600 if plan.hardship.night else 0
            clock = day * 86_400 + rng.uniform(6.4, 7.2) * 3600 + evening
            ends = day * 86_400 + rng.uniform(16.6, 17.8) * 3600 + evening
            while ends - clock > 2400:
                work = open_work.get(operator.machine)
                if work is None or work.remaining_ha <= 0.3:
                    work = _next_field(rng, operator.machine, open_work, queue, areas, plan.hardship.machines_a_field)
                    if work is None:
                        break
                    open_work[operator.machine] = work
                place = fields.row(work.index, named=True)
                hour = SPIN_UP_DAYS * 24 + int(clock // 3600)
                seen = (
                    float(wetness[hour, work.index]),
                    place["clay_pct"] / 100,
                    float(hidden.field[work.index] + hidden.machine_day[operator.machine, day]),
                )
                visit = work_visit(
                    rng,
                    operator,
                    catalogue,
                    work,
                    day=day,
                    start_s=clock,
                    end_s=ends,
                    interval_s=1 / plan.hz,
                    seen=seen,
                    side_m=100 * areas[work.index] ** 0.5,
                    yield_t_ha=place["yield_t_ha"],
                    patchiness=plan.hardship.patchiness,
                )
                visits.append(visit)
                clock = visit.second[-1] + rng.uniform(20, 45) * 60
    return visits


def _next_field(
    rng: np.random.Generator,
    machine: int,
    open_work: dict[int, SimulatedFieldWork],
    queue: list[int],
    areas: list[float],
    together: int,
) -> SimulatedFieldWork | None:
    """The next field of the queue, or one that others are in: those of the same gang, or by chance."""
    others = {m: w for m, w in open_work.items() if m != machine and w.remaining_ha > 12}
    mates = [w for m, w in others.items() if m // together == machine // together]
    if mates:
        return mates[0]
    if others and together == 1 and rng.random() < 0.18:
        return list(others.values())[int(rng.integers(len(others)))]
    if queue:
        index = queue.pop()
        return SimulatedFieldWork(index, areas[index])
    return None


def _record_frame(visits: list[Visit]) -> pl.DataFrame:
    frames = [
        pl.DataFrame(
            {
                "visit": np.full(v.second.size, i),
                "machine": np.full(v.second.size, v.machine),
                "day": np.full(v.second.size, v.day),
                "field_index": np.full(v.second.size, v.field_index),
                "second": v.second,
                "state": v.state,
                "east_m": v.position_m[0],
                "north_m": v.position_m[1],
                "clean_t": v.clean_t,
                "area_ha": v.area_ha,
                "pass_noise": v.pass_noise,
                "unloading": v.unloading,
                "tank_t": v.tank_t,
                "sections_on_pct": v.sections_on_pct,
                **v.settings,
            }
        )
        for i, v in enumerate(visits)
    ]
    return pl.concat(frames, how="diagonal")


def _bin_frame(records: pl.DataFrame, settings: list[str]) -> pl.DataFrame:
    working = records.filter(pl.col("state") == WORKING)
    return (
        working.with_columns((pl.col("second") // BIN_S * BIN_S).alias("bin_s"))
        .group_by("visit", "machine", "day", "field_index", "bin_s", maintain_order=True)
        .agg(pl.col("clean_t", "area_ha").sum(), pl.col("pass_noise").mean(), pl.col(settings).mean())
        .with_row_index("bin")
    )


def _ground(bins: pl.DataFrame, district: District, hidden: _Hidden, wetness: Array) -> mechanics.Ground:
    f, m, d = (bins[c].to_numpy() for c in ("field_index", "machine", "day"))
    hour = SPIN_UP_DAYS * 24 + bins["bin_s"].to_numpy() / 3600
    low = np.floor(hour).astype(int)
    here = wetness[low, f] * (1 - (hour - low)) + wetness[np.minimum(low + 1, len(wetness) - 1), f] * (hour - low)
    fields = district.fields
    return mechanics.Ground(
        wetness=here,
        clay=fields["clay_pct"].to_numpy()[f] / 100,
        yield_t_ha=fields["yield_t_ha"].to_numpy()[f],
        root_kg=fields["root_kg"].to_numpy()[f],
        hidden_log=hidden.field[f]
        + hidden.machine[m]
        + hidden.machine_day[m, d]
        + 0.12 * bins["pass_noise"].to_numpy(),
    )


def _settings(bins: pl.DataFrame, names: list[str]) -> dict[str, Array]:
    return {n: bins[n].cast(pl.Float64).to_numpy().astype(np.float64) for n in names}


def _batches(visits: list[Visit], bins: pl.DataFrame, gross: Array) -> dict[tuple[int, int, int], list[Batch]]:
    """Emptied tanks by (machine, field, day): each holds what was lifted since the one before."""
    out: dict[tuple[int, int, int], list[Batch]] = {}
    by_visit = bins.select("visit", "bin", "bin_s").partition_by("visit", as_dict=True)
    for number, visit in enumerate(visits):
        mine = by_visit.get((number,))
        if mine is None:
            continue
        index, at = mine["bin"].to_numpy(), mine["bin_s"].to_numpy()
        since = -np.inf
        for start in visit.unload_start_s:
            inside = index[(at >= since) & (at < start)]
            since = start
            if inside.size:
                key = (visit.machine, visit.field_index, visit.day)
                out.setdefault(key, []).append(
                    Batch(start, visit.machine, visit.field_index, inside.astype(np.int64), gross[inside])
                )
    return out


def _haul(
    rng: np.random.Generator, district: District, batches: dict[tuple[int, int, int], list[Batch]], hardship: Scenario
) -> list[TruckLoad]:
    heap = district.fields["heap"].to_list()
    loads: list[TruckLoad] = []
    tipped: dict[int, list[Batch]] = {}
    for (_, field_index, _), group in batches.items():
        if heap[field_index]:
            tipped.setdefault(field_index, []).extend(group)
        else:
            loads += fill_trucks(rng, group, hardship)
    for group in tipped.values():
        loads += heap_loads(rng, sorted(group, key=lambda b: b.at_s), float(rng.integers(3, 6)))
    return loads


def _true_trace(loads: list[TruckLoad], tickets: pl.DataFrame, bins: pl.DataFrame) -> pl.DataFrame:
    name = dict(zip(tickets["order"].to_list(), tickets["load_id"].to_list(), strict=True))
    frames = [
        pl.DataFrame({"bin": load.bins, "gross_t": load.gross_t}).with_columns(pl.lit(name[i]).alias("load_id"))
        for i, load in enumerate(loads)
    ]
    trace = pl.concat(frames).with_columns(pl.col("bin").cast(pl.UInt32))
    trace = trace.group_by("load_id", "bin", maintain_order=True).agg(pl.col("gross_t").sum())
    trace = trace.with_columns((pl.col("gross_t") / pl.col("gross_t").sum().over("load_id")).alias("share"))
    return trace.join(bins.select("bin", "machine", "bin_s", "field_index"), on="bin").sort("load_id", "bin_s")


def _true_effects(
    settings: dict[str, Array], ground: mechanics.Ground, catalogue: Catalogue, bins: pl.DataFrame, trace: pl.DataFrame
) -> pl.DataFrame:
    """Per load and setting: the log change of dirt and of root loss for one practical step up, all else as it was."""
    weights = trace.select("load_id", "bin", "gross_t")
    frames = []
    for name, value in settings.items():
        half = catalogue[name].step / 2
        up, down = ({**settings, name: value + s} for s in (half, -half))
        table = bins.select("bin").with_columns(
            *(
                pl.Series(f"{label}_{side}", function(moved, ground))
                for label, function in (("dirt", mechanics.dirt_ratio), ("loss", mechanics.root_loss_t_ha))
                for side, moved in (("up", up), ("down", down))
            )
        )
        table = table.filter(~pl.Series(np.isnan(value)))
        per_load = (
            weights.join(table, on="bin")
            .group_by("load_id", maintain_order=True)
            .agg((pl.col(f"{a}_{s}") * pl.col("gross_t")).sum() for a in ("dirt", "loss") for s in ("up", "down"))
        )
        frames.append(
            per_load.select(
                "load_id",
                pl.lit(name).alias("setting"),
                (pl.col("dirt_up") / pl.col("dirt_down")).log().alias(DIRT),
                (pl.col("loss_up") / pl.col("loss_down")).log().alias(ROOT_LOSS),
            )
        )
    return pl.concat(frames)


def invent_season(plan: Plan, catalogue: Catalogue) -> DemoSeason:
    """Invent a season of the given size; the same plan gives the same season."""
    rng = np.random.default_rng(plan.seed)
    district = build_district(rng, plan.machines, plan.days, plan.hardship)
    midnight = _midnight(plan.hardship.first_day)
    stations = district.fields["station_id"].unique(maintain_order=True).to_list()
    weather = invent_weather(rng, midnight - dt.timedelta(days=SPIN_UP_DAYS), SPIN_UP_DAYS + plan.days + 7, stations)
    wetness = _wetness_by_hour(rng, district, weather)
    hidden = _Hidden(
        field=rng.normal(0, 0.12, len(district.fields)),
        machine=rng.normal(0, 0.09, plan.machines),
        machine_day=rng.normal(0, 0.08, (plan.machines, plan.days)),
    )
    visits = _work_season(rng, plan, district, catalogue, hidden, wetness)
    records = _record_frame(visits)
    names = [n for n in catalogue if n in records.columns]
    bins = _bin_frame(records, names)
    ground, settings = _ground(bins, district, hidden, wetness), _settings(bins, names)
    bins = bins.with_columns(
        pl.Series("wetness", ground.wetness),
        pl.Series("dirt_ratio", mechanics.dirt_ratio(settings, ground)),
        pl.Series(ROOT_LOSS, mechanics.root_loss_t_ha(settings, ground)),
        pl.Series("tip_loss_t_ha", mechanics.tip_loss_t_ha(settings, ground)),
        pl.Series("top_tare_pct", mechanics.top_tare_pct(settings, ground)),
    )
    gross = (bins["clean_t"] * (1 + bins["dirt_ratio"])).to_numpy()
    loads = _haul(rng, district, _batches(visits, bins, gross), plan.hardship)
    tickets = weigh(rng, loads, district.fields, district.sites, plan.hardship)
    trace = _true_trace(loads, tickets, bins)
    return DemoSeason(
        plan=plan,
        district=district,
        midnight=midnight,
        weather=weather,
        records=records,
        tickets=spoil_tickets(rng, tickets, plan.hardship),
        tares=lab_results(rng, tickets, trace, bins),
        audits=audit_plots(rng, bins, district.fields["root_kg"].to_numpy()),
        true_bins=bins,
        true_trace=trace,
        true_effects=_true_effects(settings, ground, catalogue, bins, trace),
    )
