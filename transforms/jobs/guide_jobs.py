"""Jobs of the setting guide and of the what-if table, independent of each other."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

from transforms.advice.guide import setting_guide
from transforms.advice.shrinkage import shrinkage
from transforms.advice.what_if_table import tabulate
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices
from transforms.model.fit_result import ResponseFit
from transforms.parallel import SharedValue


@dataclass(frozen=True)
class GuideJob:
    """Inputs of the setting guide or the what-if table.

    Attributes:
        what: table to compute.
        dirt: fit of dirt tare.
        loss: fit of root loss, if there is one.
        catalogue: the settings catalogue.
        prices: prices of the season.
        min_loads: minimum number of loads in a class.
        tonnes: harvested mass of each class, in t.
        seed: seed of the random draws.
    """

    what: Literal["guide", "what-if"]
    dirt: SharedValue[ResponseFit]
    loss: SharedValue[ResponseFit] | None
    catalogue: Catalogue
    prices: Prices
    min_loads: int
    tonnes: pl.DataFrame
    seed: int


def build_guide_table(job: GuideJob) -> Any:
    """Return the setting guide or the what-if table."""
    with threadpool_limits(limits=1, user_api="blas"):
        dirt, loss = job.dirt.value, job.loss.value if job.loss is not None else None
        moved = {f.response: shrinkage(f) for f in (dirt, loss) if f is not None}
        about = (dirt, loss, moved, job.catalogue, job.prices, job.min_loads)
        if job.what == "what-if":
            return tabulate(*about)
        return setting_guide(*about, job.tonnes, np.random.default_rng(job.seed))
