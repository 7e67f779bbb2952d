"""Settings that a machine ran at in its last shift, from loads that were traced well."""

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.model.specification import MIN_TRACE_QUALITY

MIN_LOGGED = 0.5
"""A setting known on a smaller share of a machine's loads is another machine's, from loads traced to both."""


def loads_of_last_shift(loads: pl.DataFrame) -> pl.DataFrame:
    """Return the loads of a machine's last shift in order of lifting, of those traced well enough to be fitted.

    A load from a heap may be hauled and traced to a machine days after it worked. If no load is traced well, all count.

    Args:
        loads: a machine's loads, with `shift_date, lifted_at` and perhaps `trace_quality`.
    """
    used = loads
    if "trace_quality" in loads.columns:
        well = loads.filter(pl.col("trace_quality").fill_null(1.0) >= MIN_TRACE_QUALITY)
        used = well if well.height else loads
    return used.filter(pl.col("shift_date") == pl.col("shift_date").max()).sort("lifted_at")


def own_settings(loads: pl.DataFrame, catalogue: Catalogue) -> list[str]:
    """Return the settings of the catalogue that are known on at least `MIN_LOGGED` of a machine's loads.

    Args:
        loads: a machine's loads, with a column for each known setting.
        catalogue: the settings known.
    """
    names = [n for n in catalogue if n in loads.columns]
    return [n for n in names if loads.height and loads[n].count() >= MIN_LOGGED * loads.height]


def mean_settings(loads: pl.DataFrame, names: list[str]) -> dict[str, float]:
    """Return the mean of each setting over loads; unknown settings are omitted.

    Args:
        loads: loads with a column for each setting.
        names: the settings.
    """
    means = loads.select(pl.col(names).mean()).row(0, named=True) if names else {}
    return {n: float(v) for n, v in means.items() if v is not None}
