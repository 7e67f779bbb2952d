"""Prices and assumptions as every page states them: each with its unit and where it comes from."""

from dataclasses import fields

from reports.units import number
from transforms.workspace import Prices, Season

ASSUMED, SET = "assumed (the default)", "set in season.toml"


def price_rows(season: Season) -> list[dict[str, str]]:
    """Return name, value, unit and origin of every price."""
    return [
        {
            "name": f.metadata["words"],
            "value": number(getattr(season.prices, f.name), 2),
            "unit": f.metadata["unit"].replace("CUR", season.currency),
            "origin": ASSUMED if f.name in season.assumed else SET,
        }
        for f in fields(Prices)
    ]


def assumption_words(season: Season) -> str:
    """Return, in a sentence, how many prices are the workspace's own and what the rest are."""
    every = len(fields(Prices))
    if not season.assumed:
        return f"All {every} prices are set in season.toml."
    if len(season.assumed) == every:
        return f"Money rests on assumptions: none of the {every} prices is set in season.toml yet."
    return f"{every - len(season.assumed)} of {every} prices are set in season.toml; the rest are assumptions."
