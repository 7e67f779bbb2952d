"""A season whose second half follows advice: what the moves truly gain, and what the season truly costs.

Half a season is worked as operators would; from then on each machine is advised before each shift, operators follow
60 % of the moves, the new loads and audits are measured, and the next advice rests on them too. The same draws of
weather, fields, habits and trying serve every way of advising, so that what differs is the advice.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import combinations, product

import numpy as np
import polars as pl

from tests.validation.fit_seasons import MECHANICS, USUAL, facts_of, machine_days, settings_of_visit
from transforms.advice.advice_rows import advise_machine
from transforms.advice.cost import USUAL_TOPS_PCT, CropAndHaul, cost_per_t
from transforms.advice.move_effects import MoveEffects
from transforms.advice.outlook import PERSISTENCE, Outlook
from transforms.advice.pair_effects import pair_effects
from transforms.advice.posterior import draw_slopes
from transforms.advice.shrinkage import shrinkage
from transforms.advice.situations import FleetData, next_situations
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import AdviceRules, Prices
from transforms.contracts.classes import soil_class, wetness_class
from transforms.demo.lab import BREAK_CLASSES
from transforms.demo.mechanics import Ground, root_loss_t_ha, tip_loss_t_ha
from transforms.model.effects import SUPPORT
from transforms.model.estimate import fit_response
from transforms.model.root_loss import break_loss_fraction, root_loss

Array = np.ndarray
FOLLOWED = 0.6
PLOTS, PLOT_M2 = 2, 60.0
PRICES, RULES = Prices(), AdviceRules()
WIDTH_M = 3.0
Moves = dict[str, dict[str, int]]
"""Machine -> setting -> practical steps."""


@dataclass
class World:
    """A season being worked.

    Attributes:
        visits: one row a machine and day.
        habits: machine -> setting -> where its operator would set it on a usual day; advice that is followed moves it.
        facts: loads measured so far.
        audits: plots dug so far.
        cost: true cost per tonne of each load, by day.
        stated: what the last advice states of each move and of moves to try, in the order of their choice.
    """

    seed: int
    mechanic: str
    catalogue: Catalogue
    visits: pl.DataFrame
    habits: dict[int, dict[str, float]]
    bad_lab: Array
    usual_kmh: dict[int, float]
    facts: list[pl.DataFrame] = field(default_factory=list)
    audits: list[pl.DataFrame] = field(default_factory=list)
    cost: dict[int, Array] = field(default_factory=dict)
    loads: int = 0
    stated: pl.DataFrame = field(default_factory=pl.DataFrame)


def new_world(seed: int, mechanic: str, catalogue: Catalogue, machines: int, days: int) -> World:
    """Draw a season that has not begun."""
    rng = np.random.default_rng(seed)
    visits = machine_days(rng, machines, days)
    habits = {m: {n: float(rng.normal(*USUAL[n])) for n in USUAL} for m in range(machines)}
    speeds = {m: h["ground_speed_kmh"] for m, h in habits.items()}
    return World(seed, mechanic, catalogue, visits, habits, rng.normal(0, 0.05, (3, days)), speeds)


def ground_of(wet: Array, clay_pct: float, crop: float, unseen: float) -> Ground:
    """The ground of some loads of one visit."""
    n = np.full(np.size(wet), 1.0)
    return Ground(wet, clay_pct / 100 * n, crop * n, np.clip(crop / 95, 0.4, 1.2) * n, unseen * n)


def true_cost(law: str, settings: dict[str, Array], ground: Ground, crop: float, usual_kmh: float) -> Array:
    """Return the true cost per tonne of clean beet."""
    at = CropAndHaul(crop, PRICES.haul_km, WIDTH_M, None, USUAL_TOPS_PCT)
    dirt, loss = MECHANICS[law](settings, ground), root_loss_t_ha(settings, ground)
    return cost_per_t(dirt, loss, settings["ground_speed_kmh"], usual_kmh, at, PRICES)


def _plots(visit: dict[str, float], facts: pl.DataFrame, loss: Array, tips: Array, rng) -> pl.DataFrame:
    """Dig behind the machine at some of its loads."""
    kg = float(np.clip(visit["crop"] / 95, 0.4, 1.2))
    each = sum(p * break_loss_fraction(d) for _, d, p in BREAK_CLASSES) * kg
    rows = []
    for i in np.sort(rng.choice(facts.height, PLOTS, replace=False)):
        kg_lost = PLOT_M2 / 10_000 * 1000
        counts = {f"{c}_count": float(rng.poisson(tips[i] * kg_lost / each * p)) for c, _, p in BREAK_CLASSES}
        whole = float(rng.poisson((loss[i] - tips[i]) * kg_lost / (0.6 * kg)))
        rows.append(
            {
                **facts.row(int(i), named=True),
                **counts,
                "whole_roots_count": whole,
                "root_mass_kg": kg,
                "plot_m2": PLOT_M2,
                "audit_id": f"A{facts['load_id'][int(i)]}",
            }
        )
    return root_loss(pl.DataFrame(rows)).drop(DIRT, "trace_quality", "sample_kg")


def work_day(world: World, day: int) -> None:
    """Every machine works a day; its loads and plots are measured."""
    costs = []
    for visit in world.visits.filter(pl.col("day") == day).iter_rows(named=True):
        rng = np.random.default_rng([world.seed, day, int(visit["machine"])])
        n = int(rng.integers(6, 15))
        wet = np.clip(visit["wet"] + np.linspace(0.04, -0.04, n), 0.01, 0.99)
        held = settings_of_visit(rng, visit, world.habits[int(visit["machine"])], n, world.catalogue)
        ground = ground_of(wet, visit["clay"], visit["crop"], visit["unseen"])
        kg, site = rng.choice([25.0, 25.0, 25.0, 12.0], n), int((visit["site"] + (rng.random() < 0.2)) % 3)
        noise = rng.normal(0, 0.09, n) + world.bad_lab[site, day] + rng.normal(0, 1, n) * 0.1 * np.sqrt(25 / kg)
        z = np.log(MECHANICS[world.mechanic](held, ground)) + noise
        c = {
            **{k: np.full(n, v, dtype=float) for k, v in visit.items()},
            **held,
            "wet": wet,
            "site": np.full(n, site, dtype=float),
            "order": np.arange(n, dtype=float),
        }
        facts = facts_of(c, held, z, kg)
        facts = facts.with_columns(
            pl.Series("load_id", [f"L{world.loads + i:06d}" for i in range(n)]),
            (pl.col("lifted_at") + dt.timedelta(minutes=15)).alias("audited_at"),
        )
        world.loads += n
        loss, tips = root_loss_t_ha(held, ground), tip_loss_t_ha(held, ground)
        world.facts.append(facts)
        world.audits.append(_plots(visit, facts, loss, tips, rng))
        usual = world.usual_kmh[int(visit["machine"])]
        costs.append(true_cost(world.mechanic, held, ground, visit["crop"], usual))
    world.cost[day] = np.concatenate(costs)


@dataclass(frozen=True)
class Standing:
    """A machine after its last shift: settings as they were run, and the conditions advice is for."""

    machine: int
    settings: dict[str, float]
    wet: float
    clay_pct: float
    crop: float
    unseen: float
    tried: dict[str, tuple[float, float]]


def standings(world: World) -> list[Standing]:
    """Every machine with its present settings and what the fleet has tried in such conditions."""
    facts = pl.concat(world.facts)
    last = facts.filter(pl.col("shift_date") == facts["shift_date"].max())
    classes = [wetness_class(pl.col("topsoil_wetness")).alias("w"), soil_class(pl.col("clay_pct")).alias("s")]
    cells, out = facts.select(*classes, *USUAL), []
    today = world.visits.filter(pl.col("day") == max(world.cost))
    unseen = dict(today.select("machine", "unseen").iter_rows())
    for (machine,), rows in last.group_by("machine_id", maintain_order=True):
        here = rows.select(pl.col("clay_pct", "yield_t_ha", *USUAL).mean(), pl.col("topsoil_wetness").last())
        now = here.row(0, named=True)
        w, s = here.select(*classes).row(0)
        inside = cells.filter((pl.col("w") == w) & (pl.col("s") == s))
        tried = {}
        if inside.height >= RULES.min_loads:
            low, high = SUPPORT
            tried = {n: (to_float(inside[n].quantile(low)), to_float(inside[n].quantile(high))) for n in USUAL}
        out.append(
            Standing(
                int(str(machine)[1:]),
                {n: now[n] for n in USUAL},
                now["topsoil_wetness"],
                now["clay_pct"],
                now["yield_t_ha"],
                unseen[int(str(machine)[1:])],
                tried,
            )
        )
    return out


def true_gain(world: World, at: Standing, moves: dict[str, Array | int]) -> Array:
    """Return what moves truly gain per tonne in the conditions they were advised for."""
    size = max((np.size(v) for v in moves.values()), default=1)
    ground = ground_of(np.full(size, at.wet), at.clay_pct, at.crop, at.unseen)
    now = {n: np.full(size, v) for n, v in at.settings.items()}
    moved = {}
    for n, v in now.items():
        s = world.catalogue[n]
        moved[n] = np.clip(v + np.asarray(moves.get(n, 0)) * s.step, 0.3 * v, s.high)
    speed = at.settings["ground_speed_kmh"]
    return np.asarray(
        true_cost(world.mechanic, now, ground, at.crop, speed)
        - true_cost(world.mechanic, moved, ground, at.crop, speed)
    )


def best_gain(world: World, at: Standing) -> float:
    """Return the most that three moves of at most two steps inside the tried range could truly gain."""
    open_ = {
        n: [
            k
            for k in range(-RULES.max_steps, RULES.max_steps + 1)
            if k == 0 or low <= at.settings[n] + k * world.catalogue[n].step <= high
        ]
        for n, (low, high) in at.tried.items()
    }
    best = 0.0
    for names in combinations(open_, RULES.max_moves):
        grid = np.array(list(product(*(open_[n] for n in names)))).T
        best = max(best, float(true_gain(world, at, dict(zip(names, grid, strict=True))).max()))
    return best


def advised(world: World) -> Moves:
    """Return the advice of this project; what it states of moves, and of moves to try, is kept in `world.stated`."""
    facts, audits = pl.concat(world.facts), pl.concat(world.audits)
    found = {r: fit_response(facts if r == DIRT else audits, r, world.catalogue, 0.1) for r in (DIRT, ROOT_LOSS)}
    fits = {r: f for r, f in found.items() if f is not None}
    if DIRT not in fits:
        return {}
    known = facts.sort("lifted_at").group_by("field_id", maintain_order=True).last()
    outlook = Outlook(
        known.select(
            "field_id",
            "topsoil_wetness",
            "air_temp_c",
            pl.col("air_temp_c").alias("air_temp_10d_c"),
            pl.lit(0.0).alias("rain_mm"),
            pl.lit(PERSISTENCE).alias("outlook"),
        )
    )
    fields = known.select("field_id", "clay_pct", "yield_t_ha", lat_deg=pl.lit(50.0), lon_deg=pl.lit(15.0))
    machines = pl.DataFrame({"machine_id": [], "rows_count": [], "row_spacing_cm": []})
    spread = {r: shrinkage(f) for r, f in fits.items()}
    pairs = {r: pair_effects(f, RULES.min_loads) for r, f in fits.items()}
    rng, stated = np.random.default_rng(world.seed), []
    fleet = FleetData(facts, fields, machines, {}, PRICES.haul_km)
    for situation, place in next_situations(fleet, outlook, fits, world.catalogue, RULES.min_loads, rng):
        slopes = {
            r: draw_slopes(f, place, situation.settings, world.catalogue, RULES.max_steps, spread[r], pairs[r], rng)
            for r, f in fits.items()
        }
        rows = advise_machine(situation, MoveEffects(slopes), world.catalogue, PRICES, RULES)
        rows = rows.filter(pl.col("verdict") != "hold")
        step = pl.Series([world.catalogue[n].step for n in rows["setting"]], dtype=pl.Float64)
        steps = ((rows["to_value"] - rows["from_value"]) / step).round().cast(pl.Int64)
        stated.append(rows.select("machine_id", "setting", "verdict", "gain_per_t", "probability_better", steps=steps))
    world.stated = pl.concat(stated)
    moves: Moves = {}
    for row in world.stated.filter(pl.col("verdict") == "move").iter_rows(named=True):
        moves.setdefault(row["machine_id"], {})[row["setting"]] = row["steps"]
    return moves


def copied(world: World) -> Moves:
    """Copy the cleanest machine: the three settings furthest from its own, two steps at most."""
    facts = pl.concat(world.facts)
    recent = facts.filter(pl.col("shift_date") > facts["shift_date"].max() - dt.timedelta(days=3))
    best = recent.group_by("machine_id").agg(pl.col(DIRT).mean()).sort(DIRT)["machine_id"][0]
    model = recent.filter(pl.col("machine_id") == best).select(pl.col(list(USUAL)).mean()).row(0, named=True)
    out = {}
    for at in standings(world):
        away = {n: (model[n] - v) / world.catalogue[n].step for n, v in at.settings.items()}
        furthest = sorted(away, key=lambda n: -abs(away[n]))[: RULES.max_moves]
        out[f"M{at.machine:03d}"] = {n: int(np.clip(np.rint(away[n]), -2, 2)) for n in furthest if abs(away[n]) >= 0.5}
    return out


def correlated(world: World) -> Moves:
    """Act on raw correlations: the three that correlate most with dirt, two steps the way that looks cleaner."""
    facts = pl.concat(world.facts)
    r = {n: float(np.corrcoef(facts[n], facts[DIRT])[0, 1]) for n in USUAL}
    strongest = sorted(r, key=lambda n: -abs(r[n]))[: RULES.max_moves]
    return {f"M{at.machine:03d}": {n: -2 * int(np.sign(r[n])) for n in strongest} for at in standings(world)}


ADVISERS: dict[str, Callable[[World], Moves] | None] = {
    "no advice": None,
    "taretrace": advised,
    "copy the cleanest": copied,
    "raw correlations": correlated,
}


def _followed(world: World, day: int, moves: Moves) -> None:
    """Operators follow some of the moves, and keep to them."""
    for machine, wanted in moves.items():
        rng = np.random.default_rng([world.seed, day, int(machine[1:]), 77])
        for name in USUAL:
            follows = rng.random() < FOLLOWED
            if follows and name in wanted:
                setting, habit = world.catalogue[name], world.habits[int(machine[1:])]
                moved = habit[name] + wanted[name] * setting.step
                habit[name] = float(np.clip(moved, 0.3 * USUAL[name][0], setting.high))


def _judged_day(world: World, moves: Moves, *, with_best: bool) -> list[dict[str, object]]:
    """Return the true gains of the moves of each machine, and of the best ones if wanted."""
    rows: list[dict[str, object]] = []
    for at in standings(world):
        mine = moves.get(f"M{at.machine:03d}", {})
        each = [float(true_gain(world, at, {n: k})[0]) for n, k in mine.items()]
        rows.append(
            {
                "machine": at.machine,
                "moves": len(mine),
                "helping": sum(g > 0 for g in each),
                "gain": float(true_gain(world, at, dict(mine))[0]) if mine else 0.0,
                "best": best_gain(world, at) if with_best else None,
            }
        )
    return rows


def _kept_promises(world: World) -> list[dict[str, object]]:
    """Return what was stated of each move beside what it truly gains after the moves before it."""
    places, before = {f"M{at.machine:03d}": at for at in standings(world)}, dict[str, dict[str, Array | int]]()
    rows: list[dict[str, object]] = []
    for row in world.stated.iter_rows(named=True):
        at, earlier = places[row["machine_id"]], before.get(row["machine_id"], {})
        after = {**earlier, row["setting"]: row["steps"]}
        gain = float(true_gain(world, at, after)[0]) - (float(true_gain(world, at, earlier)[0]) if earlier else 0.0)
        before[row["machine_id"]] = after
        rows.append({**row, "true_gain_per_t": gain})
    return rows


def closed_loop(
    seed: int, mechanic: str, adviser: str, catalogue: Catalogue, machines: int, days: int
) -> tuple[float, pl.DataFrame, pl.DataFrame]:
    """Work a season.

    Returns:
        True cost per tonne of its second half; true gains of each machine and day; statements about each move beside
        its true gain, one row a move, none of naive advice.
    """
    world, advise = new_world(seed, mechanic, catalogue, machines, days), ADVISERS[adviser]
    keys = {"seed": seed, "mechanic": mechanic, "adviser": adviser}
    judged: list[dict[str, object]] = []
    promises: list[dict[str, object]] = []
    for day in range(days):
        if day >= days // 2 and advise is not None:
            moves = advise(world)
            judged += [keys | {"day": day} | r for r in _judged_day(world, moves, with_best=adviser == "taretrace")]
            promises += [keys | {"day": day} | r for r in _kept_promises(world)]
            _followed(world, day, moves)
        work_day(world, day)
    second = np.concatenate([c for d, c in world.cost.items() if d >= days // 2])
    return float(second.mean()), pl.DataFrame(judged), pl.DataFrame(promises)
