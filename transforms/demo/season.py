"""The complete simulated season: weather, work, haulage, lab results and audits, with the true values."""

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.response_catalogue import ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.demo import mechanics, topping
from transforms.demo.cleaning_parts import FittedParts, fitted_parts
from transforms.demo.district import LOCAL_ZONE, District, build_district
from transforms.demo.field_visits import SPIN_UP_DAYS, HiddenEffects, simulate_visits, visit_records, wetness_by_hour
from transforms.demo.haulage import Batch, TruckLoad, fill_trucks, heap_loads, spoil_tickets, weigh
from transforms.demo.lab import audit_plots, lab_results
from transforms.demo.operation import Visit
from transforms.demo.quality_checks import check_roots
from transforms.demo.scenario import Plan, Scenario
from transforms.demo.truth import SeasonGround, bin_records, true_effects, true_ground, true_settings, true_trace
from transforms.demo.weather import invent_weather

Array = NDArray[np.float64]


@dataclass(frozen=True)
class DemoSeason:
    """Simulated harvest and measurements; the `true_*` frames are for tests only.

    `records` has one row per logged instant; `second` counts from `midnight`.
    """

    plan: Plan
    district: District
    midnight: dt.datetime
    weather: pl.DataFrame
    records: pl.DataFrame
    tickets: pl.DataFrame
    tares: pl.DataFrame
    audits: pl.DataFrame
    checks: pl.DataFrame
    parts: list[FittedParts]
    true_bins: pl.DataFrame
    true_trace: pl.DataFrame
    true_effects: pl.DataFrame


CHECK_SEED = 15_485_863
NOON_H = 12


def _midnight(first_day: str) -> dt.datetime:
    return dt.datetime.fromisoformat(first_day).replace(tzinfo=ZoneInfo(LOCAL_ZONE)).astimezone(dt.UTC)


def _unloaded_batches(
    visits: list[Visit], bins: pl.DataFrame, delivered: Array
) -> dict[tuple[int, int, int], list[Batch]]:
    """Return the unloaded tanks by (machine, field, day): each has the mass lifted since the previous unload."""
    out: dict[tuple[int, int, int], list[Batch]] = {}
    by_visit = bins.select("visit", "bin", "bin_s").partition_by("visit", as_dict=True)
    for number, visit in enumerate(visits):
        own_bins = by_visit.get((number,))
        if own_bins is None:
            continue
        index, at = own_bins["bin"].to_numpy(), own_bins["bin_s"].to_numpy()
        since = -np.inf
        for start in visit.unload_start_s:
            inside = index[(at >= since) & (at < start)]
            since = start
            if inside.size:
                key = (visit.machine, visit.field_index, visit.day)
                out.setdefault(key, []).append(
                    Batch(start, visit.machine, visit.field_index, inside.astype(np.int64), delivered[inside])
                )
    return out


def _haul(
    rng: np.random.Generator, district: District, batches: dict[tuple[int, int, int], list[Batch]], scenario: Scenario
) -> list[TruckLoad]:
    heap = district.fields["heap"].to_list()
    loads: list[TruckLoad] = []
    tipped: dict[int, list[Batch]] = {}
    for (_, field_index, _), group in batches.items():
        if heap[field_index]:
            tipped.setdefault(field_index, []).extend(group)
        else:
            loads += fill_trucks(rng, group, scenario)
    for group in tipped.values():
        loads += heap_loads(rng, sorted(group, key=lambda b: b.at_s), float(rng.integers(3, 6)))
    return loads


def invent_season(plan: Plan, catalogue: Catalogue) -> DemoSeason:
    """Simulate a season; the same plan gives the same season."""
    rng = np.random.default_rng(plan.seed)
    district = build_district(rng, plan.machines, plan.days, plan.scenario)
    midnight = _midnight(plan.scenario.first_day)
    stations = district.fields["station_id"].unique(maintain_order=True).to_list()
    weather = invent_weather(rng, midnight - dt.timedelta(days=SPIN_UP_DAYS), SPIN_UP_DAYS + plan.days + 7, stations)
    wetness = wetness_by_hour(rng, district, weather)
    hidden = HiddenEffects(
        field=rng.normal(0, 0.12, len(district.fields)),
        machine=rng.normal(0, 0.09, plan.machines),
        machine_day=rng.normal(0, 0.08, (plan.machines, plan.days)),
    )
    visits = simulate_visits(rng, plan, district, catalogue, hidden, wetness)
    records = visit_records(visits)
    names = [n for n in catalogue if n in records.columns]
    bins = bin_records(records, names)
    by_day = wetness[SPIN_UP_DAYS * 24 + NOON_H :: 24].mean(axis=1)[: plan.days]
    parts = fitted_parts(by_day, plan.machines)
    leaf = topping.leaf_by_day(weather.filter(station_id=stations[0]), plan.days, SPIN_UP_DAYS)
    ground = true_ground(bins, SeasonGround(district, hidden, wetness, parts, leaf))
    settings = true_settings(bins, names)
    bins = bins.with_columns(
        pl.Series("wetness", ground.wetness),
        pl.Series("dirt_ratio", mechanics.dirt_ratio(settings, ground)),
        pl.Series(ROOT_LOSS, mechanics.root_loss_t_ha(settings, ground)),
        pl.Series("tip_loss_t_ha", mechanics.tip_loss_t_ha(settings, ground)),
        pl.Series("top_tare_pct", topping.top_tare_pct(settings, ground)),
    )
    delivered = (bins["clean_t"] * (1 + bins["dirt_ratio"])).to_numpy()
    loads = _haul(rng, district, _unloaded_batches(visits, bins, delivered), plan.scenario)
    tickets = weigh(rng, loads, district.fields, district.sites, plan.scenario)
    trace = true_trace(loads, tickets, bins)
    return DemoSeason(
        plan=plan,
        district=district,
        midnight=midnight,
        weather=weather,
        records=records,
        tickets=spoil_tickets(rng, tickets, plan.scenario),
        tares=lab_results(rng, tickets, trace, bins),
        audits=audit_plots(rng, bins, district.fields["root_kg"].to_numpy()),
        # A generator of their own: checks are extra, and change nothing else of the season.
        checks=check_roots(np.random.default_rng(plan.seed + CHECK_SEED), bins, settings, ground),
        parts=parts,
        true_bins=bins,
        true_trace=trace,
        true_effects=true_effects(settings, ground, catalogue, bins, trace),
    )
