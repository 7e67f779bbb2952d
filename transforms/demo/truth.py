"""True values of the demo season: bins, ground, traces and effects of settings."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, ROOT_LOSS, TOPS, UNDER_TOPPED
from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.demo import mechanics, topping
from transforms.demo.cleaning_parts import FittedParts, tines_by_day
from transforms.demo.district import MACHINE_TYPES, District
from transforms.demo.field_visits import SPIN_UP_DAYS, HiddenEffects
from transforms.demo.haulage import TruckLoad
from transforms.demo.operation import BIN_S, WORKING

Array = NDArray[np.float64]
Law = Callable[[dict[str, Array], mechanics.Ground], Array]
FILL_OF_DROP = 0.7
"""Part of the drop that a full tank takes away."""


def bin_records(records: pl.DataFrame, settings: list[str]) -> pl.DataFrame:
    """Return the true 30 s bins of working time, one row per visit and bin."""
    working = records.filter(pl.col("state") == WORKING)
    return (
        working.with_columns((pl.col("second") // BIN_S * BIN_S).alias("bin_s"))
        .group_by("visit", "machine", "day", "field_index", "bin_s", maintain_order=True)
        .agg(pl.col("clean_t", "area_ha").sum(), pl.col("pass_noise", "tank_t").mean(), pl.col(settings).mean())
        .with_row_index("bin")
    )


@dataclass(frozen=True)
class SeasonGround:
    """Conditions of the season, of which `true_ground` takes those of each bin.

    Attributes:
        district: fields and machines.
        hidden: effects on dirt that no export shows.
        wetness: true topsoil wetness, shape (hours, fields).
        parts: parts fitted to the cleaning stages.
        leaf: leaf mass relative to the usual, shape (days,).
    """

    district: District
    hidden: HiddenEffects
    wetness: Array
    parts: list[FittedParts]
    leaf: Array


def true_ground(bins: pl.DataFrame, season: SeasonGround) -> mechanics.Ground:
    """Return the conditions of each bin; wetness is interpolated between hours."""
    f, m, d = (bins[c].to_numpy() for c in ("field_index", "machine", "day"))
    hour = SPIN_UP_DAYS * 24 + bins["bin_s"].to_numpy() / 3600
    low = np.floor(hour).astype(int)
    high = np.minimum(low + 1, len(season.wetness) - 1)
    fields, hidden = season.district.fields, season.hidden
    types = [MACHINE_TYPES[name] for name in season.district.machines["generation"]]
    filled = np.clip(bins["tank_t"].to_numpy() / np.array([t.tank_capacity_t for t in types])[m], 0, 1)
    return mechanics.Ground(
        wetness=season.wetness[low, f] * (1 - (hour - low)) + season.wetness[high, f] * (hour - low),
        clay=fields["clay_pct"].to_numpy()[f] / 100,
        yield_t_ha=fields["yield_t_ha"].to_numpy()[f],
        root_kg=fields["root_kg"].to_numpy()[f],
        hidden_log=hidden.field[f]
        + hidden.machine[m]
        + hidden.machine_day[m, d]
        + 0.12 * bins["pass_noise"].to_numpy(),
        tines=tines_by_day(season.parts, len(types), season.leaf.size)[m, d],
        leaf=fields["leaf"].to_numpy()[f] * season.leaf[d],
        drop_m=np.array([t.drop_m for t in types])[m] * (1 - FILL_OF_DROP * filled),
    )


def true_settings(bins: pl.DataFrame, names: list[str]) -> dict[str, Array]:
    """Return the true settings of each bin, NaN for settings a machine lacks."""
    return {n: bins[n].cast(pl.Float64).to_numpy().astype(np.float64) for n in names}


def true_trace(loads: list[TruckLoad], tickets: pl.DataFrame, bins: pl.DataFrame) -> pl.DataFrame:
    """Return the share of each bin in each load: `load_id, bin, delivered_t, share, machine, bin_s, field_index`."""
    name = dict(zip(tickets["order"].to_list(), tickets["load_id"].to_list(), strict=True))
    trace = pl.DataFrame(
        {
            "bin": np.concatenate([load.bins for load in loads]).astype(np.uint32),
            "delivered_t": np.concatenate([load.delivered_t for load in loads]),
            "load_id": pl.Series([name[i] for i in range(len(loads))]).gather(
                np.repeat(np.arange(len(loads)), [load.bins.size for load in loads])
            ),
        }
    )
    trace = trace.group_by("load_id", "bin", maintain_order=True).agg(pl.col("delivered_t").sum())
    trace = trace.with_columns((pl.col("delivered_t") / pl.col("delivered_t").sum().over("load_id")).alias("share"))
    return trace.join(bins.select("bin", "machine", "bin_s", "field_index"), on="bin").sort("load_id", "bin_s")


class _ReadSettings(dict[str, Array]):
    """Settings that record which of them are read."""

    def __init__(self, settings: dict[str, Array]) -> None:
        super().__init__(settings)
        self.read: set[str] = set()

    def __getitem__(self, name: str) -> Array:
        self.read.add(name)
        return super().__getitem__(name)

    def get(self, name: str, default: Any = None) -> Any:
        self.read.add(name)
        return super().get(name, default)


def _read_by(law: Law, settings: dict[str, Array], ground: mechanics.Ground) -> set[str]:
    """Return the settings that a formula of the simulation reads: the others change nothing."""
    watched = _ReadSettings(settings)
    law(watched, ground)
    return watched.read


FORMULAS: dict[str, Law] = {
    DIRT: mechanics.dirt_ratio,
    ROOT_LOSS: mechanics.root_loss_t_ha,
    TOPS: lambda settings, ground: topping.top_tare_pct(settings, ground) / 100,
    UNDER_TOPPED: topping.under_topped_share,
    OVER_TOPPED: topping.over_topped_share,
    DAMAGED: topping.damaged_share,
}
"""Response -> formula: dirt over clean mass, t/ha, or a share, 0..1."""
SHARES = (TOPS, UNDER_TOPPED, OVER_TOPPED, DAMAGED)


def true_effects(
    settings: dict[str, Array], ground: mechanics.Ground, catalogue: Catalogue, bins: pl.DataFrame, trace: pl.DataFrame
) -> pl.DataFrame:
    """Return the change of each priced response per load and setting for one practical step up, all else equal.

    Dirt and root loss change on the log scale, shares on the scale of log odds, as they are fitted. A direction changes
    from off to on.

    Args:
        settings: the true settings of each bin.
        ground: the conditions of each bin.
        catalogue: the settings catalogue, with the practical steps.
        bins: the true bins.
        trace: the true share of each bin in each load.

    Returns:
        `load_id`, `setting` and a column per response of `FORMULAS`.
    """
    weights = trace.select("load_id", "bin", "delivered_t")
    read_by = {response: _read_by(law, settings, ground) for response, law in FORMULAS.items()}
    frames = []
    for name, value in settings.items():
        up, down = ({**settings, name: moved} for moved in _moved(value, catalogue[name]))
        laws = {response: law for response, law in FORMULAS.items() if name in read_by[response]}
        table = bins.select("bin").with_columns(
            pl.Series(f"{response} {side}", law(moved, ground))
            for response, law in laws.items()
            for side, moved in (("up", up), ("down", down))
        )
        table = table.filter(~pl.Series(np.isnan(value)))
        means = ((pl.col(c) * pl.col("delivered_t")).sum() / pl.col("delivered_t").sum() for c in table.columns[1:])
        per_load = weights.join(table, on="bin").group_by("load_id", maintain_order=True).agg(means)
        changes = (_change(r) if r in laws else pl.lit(0.0).alias(r) for r in FORMULAS)
        frames.append(per_load.select("load_id", pl.lit(name).alias("setting"), *changes))
    return pl.concat(frames)


def _moved(value: Array, setting: Setting) -> tuple[Array, Array]:
    """Return a setting half a step higher and half a step lower, or on and off, shape (n,) each."""
    if setting.is_flag:
        return np.ones_like(value), np.zeros_like(value)
    return value + setting.step / 2, value - setting.step / 2


def _change(response: str) -> pl.Expr:
    """Return the change of a load's mean response on its fitted scale."""
    up, down = pl.col(f"{response} up"), pl.col(f"{response} down")
    odds = (1 - down) / (1 - up) if response in SHARES else 1.0
    return (up / down * odds).log().alias(response)
