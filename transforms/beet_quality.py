"""Beet quality formulas. Potassium, sodium and amino nitrogen in mmol per 100 g of beet, sugar in percent on beet."""

FACTORY_LOSS_PCT = 0.6


def molasses_loss_pct(potassium: float, sodium: float, amino_n: float) -> float:
    """Return the standard molasses loss by the new Braunschweig formula (Buchholz et al. 1995, Zuckerind. 120:113)."""
    return 0.12 * (potassium + sodium) + 0.24 * amino_n + 0.48


def recoverable_sugar_pct(sugar_pct: float, potassium: float, sodium: float, amino_n: float) -> float:
    """Return sugar on beet less molasses and factory loss (Buchholz et al. 1995)."""
    return sugar_pct - molasses_loss_pct(potassium, sodium, amino_n) - FACTORY_LOSS_PCT
