"""Invented part trials with known effects: days of machines that differ by day and by field, with wet spells."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.trial.part_plan import PartTrial
from transforms.trial.plan import draw_order

START = dt.date(2025, 10, 1)
PARTS = ("smooth bars", "tines")


@dataclass(frozen=True)
class DayNature:
    """Nature of invented days.

    Attributes:
        effect: change of log dirt by part B.
        day_sd: standard deviation of days, log scale.
        field_sd: standard deviation of fields, log scale.
        load_sd: standard deviation of loads of a day, laboratory included.
        stays: probability that the next day begins in the field of the day before.
        loads: measured loads a day.
        drift: change of log dirt per day, such as of a season that turns wet.
        tails: degrees of freedom of the days' t distribution; None for normal days.
    """

    effect: float
    day_sd: float = 0.10
    field_sd: float = 0.25
    load_sd: float = 0.2
    stays: float = 0.5
    loads: int = 6
    drift: float = 0.0
    tails: float | None = None


def invented_plan(pairs: int, machines: int, seed: int, wetness_class: str | None = None) -> PartTrial:
    """Return the plan of a trial in which each machine has a number of pairs of days."""
    orders = {f"M{k}": draw_order(pairs, 1000 * seed + k) for k in range(machines)}
    return PartTrial("T001", "cleaning", PARTS, START, wetness_class, orders, 10.0, 0.8, 0.3)


def invent_days(plan: PartTrial, nature: DayNature, rng: np.random.Generator) -> pl.DataFrame:
    """Return the loads of a trial that ran as planned, with `z`, the log dirt given the conditions."""
    rows = []
    for machine, order in plan.orders.items():
        at_field, fields = 0, rng.normal(0, nature.field_sd, len(order) + 1)
        for day, arm in enumerate(order):
            at_field += int(day > 0 and rng.random() > nature.stays)
            noise = rng.normal() if nature.tails is None else rng.standard_t(nature.tails)
            level = nature.effect * (arm == "B") + fields[at_field] + nature.day_sd * noise + nature.drift * day
            rows += [
                {
                    "load_id": f"{machine}-{day}-{i}",
                    "machine_id": machine,
                    "field_id": f"{machine}-F{at_field}",
                    "shift_date": START + dt.timedelta(days=day),
                    "sample_kg": 25.0,
                    "dirt_tare_pct": 8.0,
                    "wetness_class": "wet" if day % 8 < 4 else "moist",
                    "z": level + nature.load_sd * rng.normal(),
                }
                for i in range(nature.loads)
            ]
    return pl.DataFrame(rows)


def machine_list(*entries: tuple[str, dt.date, str]) -> pl.DataFrame:
    """Return a machine list of machine, day from which on, and part of all cleaning stages."""
    return pl.DataFrame(
        [
            {
                "machine_id": machine,
                "valid_from_at": dt.datetime(day.year, day.month, day.day, 4, tzinfo=dt.UTC),
                "generation": "two",
                "cleaning_elements": part,
            }
            for machine, day, part in entries
        ]
    ).with_columns(pl.lit(None, dtype=pl.String).alias(f"cleaner_{i}_elements") for i in (1, 2, 3))


def start_list(machines: int, part: str = PARTS[0]) -> pl.DataFrame:
    """Return a machine list in which all machines have one part, and one other machine has had both."""
    before = START - dt.timedelta(days=30)
    others = [("M9", before, PARTS[0]), ("M9", before + dt.timedelta(days=9), PARTS[1])]
    return machine_list(*((f"M{k}", before, part) for k in range(machines)), *others)
