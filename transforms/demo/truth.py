"""True values of the demo season: bins, ground, traces and effects of settings."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.demo import mechanics
from transforms.demo.cleaning_parts import FittedParts, tines_by_day
from transforms.demo.district import MACHINE_TYPES, District
from transforms.demo.field_visits import SPIN_UP_DAYS, HiddenEffects
from transforms.demo.haulage import TruckLoad
from transforms.demo.operation import BIN_S, WORKING

Array = NDArray[np.float64]
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


class _Formula:
    """A formula of the simulation at given settings; settings that it does not read are not evaluated again."""

    def __init__(
        self,
        label: str,
        function: Callable[[dict[str, Array], mechanics.Ground], Array],
        settings: dict[str, Array],
        ground: mechanics.Ground,
    ) -> None:
        self.label, self._function, self._ground = label, function, ground
        watched = _ReadSettings(settings)
        self._usual, self._read = function(watched, ground), watched.read

    def values(self, name: str, moved: dict[str, Array]) -> Array:
        """Return the values with the setting `name` moved."""
        return self._function(moved, self._ground) if name in self._read else self._usual


FORMULAS = {"dirt": mechanics.dirt_ratio, "loss": mechanics.root_loss_t_ha}


def true_effects(
    settings: dict[str, Array], ground: mechanics.Ground, catalogue: Catalogue, bins: pl.DataFrame, trace: pl.DataFrame
) -> pl.DataFrame:
    """Return the log change of dirt and root loss per load and setting for one practical step up, all else equal.

    Args:
        settings: the true settings of each bin.
        ground: the conditions of each bin.
        catalogue: the settings catalogue, with the practical steps.
        bins: the true bins.
        trace: the true share of each bin in each load.
    """
    weights = trace.select("load_id", "bin", "delivered_t")
    formulas = [_Formula(label, f, settings, ground) for label, f in FORMULAS.items()]
    frames = []
    for name, value in settings.items():
        half = catalogue[name].step / 2
        up, down = ({**settings, name: value + s} for s in (half, -half))
        table = bins.select("bin").with_columns(
            *(
                pl.Series(f"{formula.label}_{side}", formula.values(name, moved))
                for formula in formulas
                for side, moved in (("up", up), ("down", down))
            )
        )
        table = table.filter(~pl.Series(np.isnan(value)))
        per_load = (
            weights.join(table, on="bin")
            .group_by("load_id", maintain_order=True)
            .agg((pl.col(f"{a}_{s}") * pl.col("delivered_t")).sum() for a in ("dirt", "loss") for s in ("up", "down"))
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
