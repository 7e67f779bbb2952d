"""The guide and the table of what-if, as two jobs that know nothing of each other."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

from transforms.advice.guide import setting_guide
from transforms.advice.shrinkage import shrinkage
from transforms.advice.what_if import tabulate
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices
from transforms.model.fit import ResponseFit
from transforms.parallel import SharedValue


@dataclass(frozen=True)
class GuideJob:
    """What to work out, and of what; `tonnes` are those of each class, `seed` starts the draws."""

    what: Literal["guide", "what-if"]
    dirt: SharedValue[ResponseFit]
    loss: SharedValue[ResponseFit] | None
    catalogue: Catalogue
    prices: Prices
    least: int
    tonnes: pl.DataFrame
    seed: int


def build_guide_table(job: GuideJob) -> Any:
    """Return the setting guide, or the table that what-if questions are answered from."""
    with threadpool_limits(limits=1, user_api="blas"):
        dirt, loss = job.dirt.value, job.loss.value if job.loss is not None else None
        moved = {f.response: shrinkage(f) for f in (dirt, loss) if f is not None}
        about = (dirt, loss, moved, job.catalogue, job.prices, job.least)
        if job.what == "what-if":
            return tabulate(*about)
        return setting_guide(*about, job.tonnes, np.random.default_rng(job.seed))
