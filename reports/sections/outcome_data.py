"""Data of the texts on the outcome of the season's advice."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class OutcomeData:
    """Outcome of the season's advice.

    Attributes:
        total: the row of `uptake_total`.
        saving: rows of `realised_saving`.
        calibration: rows of `advice_calibration`.
        verdicts: rows of `advice_verdict`.
    """

    total: dict[str, Any]
    saving: pl.DataFrame
    calibration: pl.DataFrame
    verdicts: pl.DataFrame

    @property
    def has_moves(self) -> bool:
        """True if any move was in force for a shift that has been worked."""
        return bool(self.total["moves"])

    @property
    def known(self) -> int:
        """Moves whose uptake is known."""
        return int(self.total["moves"] - self.total["unknown"])


def load_outcome(warehouse: Warehouse) -> OutcomeData:
    """Return the outcome of the season's advice."""
    return OutcomeData(
        total=warehouse.query("uptake_total").row(0, named=True),
        saving=warehouse.table("realised_saving"),
        calibration=warehouse.table("advice_calibration"),
        verdicts=warehouse.table("advice_verdict"),
    )
