"""Result tables of the setting guide."""

from dataclasses import dataclass

import polars as pl

from transforms.contracts.result_tables import schema_of

GUIDE_SCHEMA = schema_of("guide")
GUIDE_CLASS_SCHEMA = schema_of("guide_class")
GUIDE_CURVE_SCHEMA = schema_of("guide_curve")


@dataclass(frozen=True)
class Guide:
    """Tables `guide`, `guide_class`, `guide_curve` and `guide_worth`."""

    settings: pl.DataFrame
    classes: pl.DataFrame
    curves: pl.DataFrame
    worth: pl.DataFrame
