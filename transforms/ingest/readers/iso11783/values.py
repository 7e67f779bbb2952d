"""Which logged values a mapping's words mean, and in what scale: the device's own, or the dictionary's."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.contracts.units import UNITS, unit_of_text
from transforms.ingest.readers.iso11783.dictionary import ENTITIES
from transforms.ingest.readers.iso11783.log_header import Layout
from transforms.ingest.readers.iso11783.task_data import MAX_WORDS, Quantity, TaskData

Floats = NDArray[np.float64]
AGREE = 0.01


@dataclass(frozen=True)
class Logged:
    """One value of a log: its index among the header's values, and what the device says of it."""

    index: int
    number: int
    element: str
    quantity: Quantity | None
    constant: float | None


def logged_values(layout: Layout, task_data: TaskData) -> list[Logged]:
    """Return every value of a log with what its device says of it."""
    out = []
    for index, (number, element, constant) in enumerate(layout.values):
        device = task_data.device_of.get(element)
        said = None
        label = element[:MAX_WORDS]
        if device is not None:
            said = device.quantities.get((element, number)) or device.quantities.get(("", number))
            label = device.elements[element] or label
        out.append(Logged(index, number, label, said, constant))
    return out


def matching(values: list[Logged], source: str) -> list[Logged]:
    """Return the values a mapping's `from` means: `ddi 397`, `ddi 0x018D` or the device's own designator.

    `WORDS | ELEMENT` means the one at that element of the device.
    """
    words, _, element = (part.strip() for part in source.partition("|"))
    if element:
        values = [v for v in values if v.element.casefold() == element.casefold()]
    if words.casefold().startswith("ddi "):
        try:
            wanted = int(words[4:].strip(), 0)
        except ValueError:
            return []
        return [v for v in values if v.number == wanted]
    return [v for v in values if v.quantity is not None and v.quantity.designator.casefold() == words.casefold()]


def _in(unit: str, target: str, value: Floats) -> Floats | None:
    """Convert between units of the closed table; None where they do not measure the same."""
    a, b = UNITS[unit], UNITS[target]
    if a.dimension != b.dimension:
        return None
    return (value * a.factor + a.offset - b.offset) / b.factor


def _share_plausible(value: Floats, low: float, high: float) -> float:
    moving = value[np.isfinite(value) & (value != 0)]
    return float(((moving >= low) & (moving <= high)).mean()) if moving.size else 0.0


def scaled(
    raw: Floats, value: Logged, scale_by: str | None, plausible: tuple[str, float, float] | None
) -> tuple[Floats, str | None, str | None]:
    """Return (values, unit, finding): by the device's scale and the dictionary's, reconciled where they differ.

    Args:
        raw: values as logged.
        value: what is known of them.
        scale_by: `device` or `dictionary`, where the mapping decides.
        plausible: (unit, lowest, highest) of the column they are read for; decides where the two differ.
    """
    entity = ENTITIES.get(value.number)
    scale = value.quantity.scale if value.quantity is not None else None
    unit = unit_of_text(scale.unit) if scale is not None else None
    by_device = (raw + scale.offset) * scale.factor if scale is not None else None
    if entity is None:
        return (raw if by_device is None else by_device), unit, None
    by_dictionary = raw * entity.resolution
    if by_device is None or scale is None or not scale.unit:
        return by_dictionary, entity.unit, None
    same = _in(unit, entity.unit, by_device) if unit is not None else None
    if same is None:
        return by_dictionary, entity.unit, None
    if scale_by is not None:
        return (same if scale_by == "device" else by_dictionary), entity.unit, None
    apart = np.abs(same - by_dictionary) > AGREE * np.maximum(np.abs(same), np.abs(by_dictionary))
    if not np.any(apart & np.isfinite(raw)):
        return same, entity.unit, None
    return _decide(same, by_dictionary, value, entity.unit, plausible)


def unit_of(values: list[Logged]) -> str | None:
    """Return the unit in which `mean_scaled` gives values; None if nothing says it."""
    units = [scaled(np.empty(0), v, None, None)[1] for v in values]
    return next((u for u in units if u is not None), None)


def mean_scaled(
    values: list[tuple[Floats, Logged]], scale_by: str | None, plausible: tuple[str, float, float] | None
) -> tuple[Floats, list[str]]:
    """Return (the mean of several values, each in its own scale and all in one unit, findings)."""
    unit = unit_of([v for _, v in values])
    stack, findings = [], []
    for raw, value in values:
        converted, own, says = scaled(raw, value, scale_by, plausible)
        findings += [says] if says is not None else []
        if own is not None and unit is not None and own != unit:
            same = _in(own, unit, converted)
            if same is None:
                findings.append(
                    f"value {value.number} ('{value.element}') is in {own}, others in {unit}; it is not read"
                )
                continue
            converted = same
        stack.append(converted)
    table = np.vstack(stack)
    known = np.isfinite(table).sum(axis=0)
    return np.where(known > 0, np.nansum(table, axis=0) / np.maximum(known, 1), np.nan), findings


def _decide(
    device: Floats, dictionary: Floats, value: Logged, unit: str, plausible: tuple[str, float, float] | None
) -> tuple[Floats, str, str]:
    shares = (0.0, 0.0)
    if plausible is not None:
        target, low, high = plausible
        shares = tuple(
            _share_plausible(converted, low, high) if (converted := _in(unit, target, v)) is not None else 0.0
            for v in (device, dictionary)
        )  # type: ignore[assignment]
    by_device = shares[0] >= shares[1]
    chosen = "the device's" if by_device else "the dictionary's"
    says = (
        f"the device's scale and the dictionary's differ for value {value.number} ('{value.element}'); {chosen} was "
        "taken as the more plausible: set scale_by in the mapping to decide"
    )
    return (device if by_device else dictionary), unit, says
