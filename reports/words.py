"""Plain words for moves, effects and findings; every number in them comes from a mart."""

from typing import Any

from reports.units import Shown, number
from transforms.catalogue import Catalogue

CAUTION = (
    "Advice is decision support. Engine off and key out before hands go in. The operator's manual, local codes and "
    "licensed practice prevail over anything said here. Change one thing at a time and look behind the machine after "
    "each."
)
SOURCE_LABELS = {
    "field": "this field's own level",
    "machine": "this machine's own level",
    "machine_day": "this machine on this day",
    "operator": "this operator's own level",
    "site_day": "this day at the factory",
    "season": "this season's own level",
}


def source_label(source: str, catalogue: Catalogue) -> str:
    """Return what people call a source of a load's departure."""
    return catalogue[source].label if source in catalogue else SOURCE_LABELS.get(source, source)


def interval(low: float | None, high: float | None, digits: int = 0) -> str:
    """Return an interval in words."""
    return f"{number(low, digits)} to {number(high, digits)}"


def percent_change(row: dict[str, Any], name: str, low: str, high: str) -> str:
    """Return a change in percent with its 95 % interval."""
    return f"{number(row[name], 0, sign=True)} % ({interval(row[low], row[high])})"


def move_in_words(row: dict[str, Any], catalogue: Catalogue, shown: Shown) -> str:
    """Return a move as an instruction: how far, from what to what."""
    setting = catalogue[row["setting"]]
    change = row["to_value"] - row["from_value"]
    way = setting.up if change > 0 else setting.down
    start, end = shown.quantity(row["from_value"], setting.unit), shown.quantity(row["to_value"], setting.unit)
    far = f"{number(abs(change), 0)} points" if setting.unit == "pct" else shown.quantity(abs(change), setting.unit)
    return f"{setting.label.capitalize()}: {far} {way}, from {start} to {end}"


def sure(probability: float) -> str:
    """Return a probability as people say it; never certain."""
    return f"{min(round(100 * probability), 99)} in 100"
