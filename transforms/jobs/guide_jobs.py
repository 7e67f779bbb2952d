"""Jobs of advice: the shrinkage of a response's effects, the setting guide and the what-if table."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import polars as pl

from transforms.advice.guide import setting_guide
from transforms.advice.pair_effects import PairEffect
from transforms.advice.shrinkage import Shrinkage, shrinkage
from transforms.advice.what_if_table import tabulate
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices
from transforms.mixed_model.blas_threads import one_blas_thread
from transforms.model.fit_result import ResponseFit
from transforms.parallel import SharedValue


def shrink_response(fit: SharedValue[ResponseFit]) -> Shrinkage:
    """Return the posterior of the settings' effects on a response."""
    with one_blas_thread():
        return shrinkage(fit.value)


@dataclass(frozen=True)
class GuideJob:
    """Inputs of the setting guide or the what-if table.

    Attributes:
        kind: table to compute.
        fits: response -> its fit: of dirt, and of the others that have a price if they are fitted.
        shrink: shrinkage of effects, by response.
        pairs: pairs of settings whose effects depend on each other, by response.
        catalogue: the settings catalogue.
        prices: prices of the season.
        min_loads: minimum number of loads in a class.
        tonnes: harvested mass of each class, in t.
        seed: seed of the random draws.
    """

    kind: Literal["guide", "what-if"]
    fits: dict[str, SharedValue[ResponseFit]]
    shrink: dict[str, Shrinkage]
    pairs: dict[str, tuple[PairEffect, ...]]
    catalogue: Catalogue
    prices: Prices
    min_loads: int
    tonnes: pl.DataFrame
    seed: int


def build_guide_table(job: GuideJob) -> Any:
    """Return the setting guide or the what-if table."""
    with one_blas_thread():
        fits = {response: shared.value for response, shared in job.fits.items()}
        about = (fits, job.shrink, job.pairs, job.catalogue, job.prices, job.min_loads)
        if job.kind == "what-if":
            return tabulate(*about)
        return setting_guide(*about, job.tonnes, np.random.default_rng(job.seed))
