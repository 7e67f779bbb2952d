"""Responses measured on the loads of a trial, on the scale on which arms are compared.

Tares are those of the load. Counts of roots are those of the quality checks that name its ticket or took roots from the
tank while it was lifted, and losses those of the plots dug behind the machine in that time. Several checks or plots of
a load count as one.
"""

from collections.abc import Mapping

import numpy as np
import polars as pl

from transforms.arrays import Array
from transforms.config.response_catalogue import DIRT, RESPONSES, Response
from transforms.config.settings_catalogue import Setting
from transforms.model.facts import picked_by_looks
from transforms.model.response_scale import SMALL_LOSS_T_HA, counts_of, is_measured, measured_columns, ratio_scale

MEASURED_SCHEMA = pl.Schema({"response": pl.String(), "load_id": pl.String(), "z": pl.Float64()})
HALF_PIECE = 0.5
"""Added to a count before its logarithm is taken, so that zero is finite (Haldane 1956, Ann. Hum. Genet. 20:309-311,
from memory)."""


def deciding_response(setting: Setting) -> str:
    """Return the response that decides if a trial of a setting may stop early: dirt, if the setting may affect it.

    One response decides, because each further one would add its own false alarms.
    """
    return DIRT if DIRT in setting.responses else setting.responses[0]


def measured_responses(facts: Mapping[str, pl.DataFrame], load_ids: pl.Series) -> pl.DataFrame:
    """Return the responses measured on loads, in the order of the catalogue.

    Args:
        facts: table of facts of the catalogue -> its rows with `load_id`; a response without its table or columns is
            not measured.
        load_ids: ids of the loads.

    Returns:
        `response, load_id, z`: z is the log of part over rest of a tare or a share, the log of a loss plus 0.05 t/ha,
        or the log of a loss with half a piece added if its pieces are known.
    """
    frames = [pl.DataFrame(schema=MEASURED_SCHEMA)]
    for response in RESPONSES.values():
        rows = facts.get(response.facts)
        if rows is None or not set(measured_columns(response)) <= set(rows.columns):
            continue
        is_own = pl.col("load_id").is_in(load_ids.implode())
        of_loads = _by_load(rows.filter(is_measured(response), ~picked_by_looks(rows), is_own), response)
        frames.append(of_loads.select(pl.lit(response.name).alias("response"), "load_id", "z"))
    return pl.concat(frames)


def _by_load(rows: pl.DataFrame, response: Response) -> pl.DataFrame:
    """Return `load_id, z` of measured rows."""
    counts = counts_of(rows, response)
    if counts is not None:
        of_load = _sums(rows, counts.observed, counts.size)
        part, size = of_load["part"].to_numpy() + HALF_PIECE, of_load["size"].to_numpy()
        rest = size if counts.family == "poisson" else size + 2 * HALF_PIECE - part
        return of_load.select("load_id", pl.Series("z", np.log(part / rest)))
    weight = rows["plot_m2"].to_numpy() if "plot_m2" in rows.columns else np.ones(rows.height)
    of_load = _sums(rows, rows[response.observed].to_numpy() * weight, weight)
    value = of_load["part"].to_numpy() / of_load["size"].to_numpy()
    z = np.log(value + SMALL_LOSS_T_HA) if response.scale == "log_shifted" else ratio_scale(value)
    return of_load.select("load_id", pl.Series("z", z))


def _sums(rows: pl.DataFrame, part: Array, size: Array) -> pl.DataFrame:
    """Return `load_id, part, size`: the sums of two columns by load."""
    table = rows.select("load_id", pl.Series("part", part), pl.Series("size", size))
    return table.group_by("load_id", maintain_order=True).sum()
