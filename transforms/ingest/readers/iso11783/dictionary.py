"""Data dictionary entities (DDI) used in root harvester logs.

Number, unit and resolution follow ISO 11783-11; the descriptions are paraphrased. Other entities are read by their
number, with the scale given by the device.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Entity:
    """Dictionary entity: `value = raw * resolution`, in a unit of the closed table of units."""

    number: int
    words: str
    unit: str
    resolution: float


WORK_STATE = 141
SECTION_STATES = tuple(range(161, 177))
UNLOADING_STATUS = 240

ENTITIES = {
    e.number: e
    for e in (
        Entity(51, "working depth, setpoint", "mm", 1),
        Entity(52, "working depth", "mm", 1),
        Entity(62, "working height", "mm", 1),
        Entity(67, "working width", "mm", 1),
        Entity(75, "mass content", "g", 1),
        Entity(90, "yield, total mass", "kg", 1),
        Entity(116, "area, total", "m2", 1),
        Entity(141, "work state", "count", 1),
        Entity(192, "air temperature", "K", 0.001),
        Entity(320, "mass last loaded", "g", 1),
        Entity(321, "mass last unloaded", "g", 1),
        Entity(322, "load number", "count", 1),
        Entity(323, "unload number", "count", 1),
        Entity(327, "header speed", "1/s", 0.001),
        Entity(397, "ground speed", "m/s", 0.001),
        Entity(428, "mass loaded, total", "kg", 1),
        Entity(429, "mass unloaded, total", "kg", 1),
        Entity(467, "content of full", "pct", 0.01),
        Entity(484, "engine speed", "rpm", 0.0001),
        Entity(541, "power take-off speed", "rpm", 0.0001),
    )
}
