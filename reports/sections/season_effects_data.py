"""Data of the sections on the causes of dirt and losses."""

from dataclasses import dataclass

import polars as pl

from reports.sections.effects_data import EffectsData, load_effects
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class SeasonEffectsData:
    """Contents of the sections on the causes of dirt and losses; every table has the rows of all responses.

    Attributes:
        effects: effects of one step of each setting, and the checks of the fits.
        sources: share of each source in the variance, rows of `variance_source`.
        kinds: share of each kind of source, rows of `fit_sources`.
        comparisons: pooled, between-visit and within-visit effects of each setting, rows of `confounding`.
        curves: rows of `curve`.
        certain: certain effects over all conditions, rows of `fit_effects`.
        usual: usual value of each setting, rows of `setting_usual`.
        pairs: tests of pairs of settings, rows of `setting_pair`.
    """

    effects: EffectsData
    sources: pl.DataFrame
    kinds: pl.DataFrame
    comparisons: pl.DataFrame
    curves: pl.DataFrame
    certain: pl.DataFrame
    usual: pl.DataFrame
    pairs: pl.DataFrame


def load_season_effects(warehouse: Warehouse) -> SeasonEffectsData:
    """Return the causes of dirt and losses."""
    return SeasonEffectsData(
        effects=load_effects(warehouse),
        sources=warehouse.query("variance_source"),
        kinds=warehouse.query("fit_sources"),
        comparisons=warehouse.table("confounding"),
        curves=warehouse.table("curve"),
        certain=warehouse.query("fit_effects"),
        usual=warehouse.query("setting_usual"),
        pairs=warehouse.table("setting_pair"),
    )
