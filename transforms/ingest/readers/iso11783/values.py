"""Selection of logged values by a mapping, and their scaling by the device or the data dictionary."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from transforms.contracts.reason import Reason, reason
from transforms.contracts.units import UNITS, parse_unit
from transforms.ingest.readers.iso11783.dictionary import ENTITIES
from transforms.ingest.readers.iso11783.log_header import Layout
from transforms.ingest.readers.iso11783.task_data import MAX_WORDS, Quantity, TaskData

Floats = NDArray[np.float64]
AGREE = 0.01


@dataclass(frozen=True)
class Logged:
    """Value of a log: its index in the header, and its description by the device."""

    index: int
    number: int
    element: str
    quantity: Quantity | None
    constant: float | None


def logged_values(layout: Layout, task_data: TaskData) -> list[Logged]:
    """Return all values of a log with their descriptions by the device."""
    out = []
    for index, (number, element, constant) in enumerate(layout.values):
        device = task_data.device_of.get(element)
        quantity = None
        label = element[:MAX_WORDS]
        if device is not None:
            quantity = device.quantities.get((element, number)) or device.quantities.get(("", number))
            label = device.elements[element] or label
        out.append(Logged(index, number, label, quantity, constant))
    return out


def matching(values: list[Logged], source: str) -> list[Logged]:
    """Return the values that `from` in a mapping selects: `ddi 397`, `ddi 0x018D` or a designator of the device.

    `WORDS | ELEMENT` selects the value at one element of the device.
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


def _converted(unit: str, target: str, value: Floats) -> Floats | None:
    """Return a value converted between units of the closed table; None if their dimensions differ."""
    a, b = UNITS[unit], UNITS[target]
    if a.dimension != b.dimension:
        return None
    return (value * a.factor + a.offset - b.offset) / b.factor


def _share_plausible(value: Floats, low: float, high: float) -> float:
    """Return the share of nonzero values within a range."""
    nonzero = value[np.isfinite(value) & (value != 0)]
    return float(((nonzero >= low) & (nonzero <= high)).mean()) if nonzero.size else 0.0


class Scaled(NamedTuple):
    """Scaled values, their unit if known, and a finding if the two scales disagree."""

    values: Floats
    unit: str | None
    finding: Reason | None


def scaled(raw: Floats, value: Logged, scale_by: str | None, plausible: tuple[str, float, float] | None) -> Scaled:
    """Return logged values on the scale of the device or of the dictionary.

    `scale_by` decides, if given. Otherwise the scale of the device is used if both agree within the share `AGREE`, else
    the scale that gives more plausible values.

    Args:
        raw: logged values.
        value: description of the value.
        scale_by: `device` or `dictionary`, if the mapping decides; else None.
        plausible: (unit, low, high) of the mapped column; None if it has no plausible range.
    """
    entity = ENTITIES.get(value.number)
    scale = value.quantity.scale if value.quantity is not None else None
    unit = parse_unit(scale.unit) if scale is not None else None
    by_device = (raw + scale.offset) * scale.factor if scale is not None else None
    if entity is None:
        return Scaled(raw if by_device is None else by_device, unit, None)
    by_dictionary = raw * entity.resolution
    if by_device is None or scale is None or not scale.unit:
        return Scaled(by_dictionary, entity.unit, None)
    same = _converted(unit, entity.unit, by_device) if unit is not None else None
    if same is None:
        return Scaled(by_dictionary, entity.unit, None)
    if scale_by is not None:
        return Scaled(same if scale_by == "device" else by_dictionary, entity.unit, None)
    differs = np.abs(same - by_dictionary) > AGREE * np.maximum(np.abs(same), np.abs(by_dictionary))
    if not np.any(differs & np.isfinite(raw)):
        return Scaled(same, entity.unit, None)
    return _decide(same, by_dictionary, value, entity.unit, plausible)


def unit_of(values: list[Logged]) -> str | None:
    """Return the unit of the result of `mean_scaled`; None if it is unknown."""
    units = [scaled(np.empty(0), v, None, None).unit for v in values]
    return next((u for u in units if u is not None), None)


def mean_scaled(
    values: list[tuple[Floats, Logged]], scale_by: str | None, plausible: tuple[str, float, float] | None
) -> tuple[Floats, list[Reason]]:
    """Return (mean of several values, each with its own scale and all in one unit, findings).

    Args:
        values: (logged values, description) of each.
        scale_by: see `scaled`.
        plausible: see `scaled`.
    """
    unit = unit_of([v for _, v in values])
    stack, findings = [], []
    for raw, value in values:
        converted, own_unit, finding = scaled(raw, value, scale_by, plausible)
        findings += [finding] if finding is not None else []
        if own_unit is not None and unit is not None and own_unit != unit:
            same = _converted(own_unit, unit, converted)
            if same is None:
                findings.append(
                    reason("unit_differs", value=value.number, element=value.element, unit=own_unit, other_unit=unit)
                )
                continue
            converted = same
        stack.append(converted)
    table = np.vstack(stack)
    known = np.isfinite(table).sum(axis=0)
    return np.where(known > 0, np.nansum(table, axis=0) / np.maximum(known, 1), np.nan), findings


def _decide(
    device: Floats, dictionary: Floats, value: Logged, unit: str, plausible: tuple[str, float, float] | None
) -> Scaled:
    """Return the values of the scale with more plausible values; the device's on a tie."""
    shares = [0.0, 0.0]
    if plausible is not None:
        target, low, high = plausible
        shares = [
            _share_plausible(converted, low, high) if (converted := _converted(unit, target, v)) is not None else 0.0
            for v in (device, dictionary)
        ]
    by_device = shares[0] >= shares[1]
    finding = reason(
        "device_scale_taken" if by_device else "dictionary_scale_taken", value=value.number, element=value.element
    )
    return Scaled(device if by_device else dictionary, unit, finding)
