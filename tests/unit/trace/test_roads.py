"""Roads from fields to sites that take longer than their length suggests."""

import datetime as dt

import numpy as np
import pytest

from tests.unit.trace.test_trace import DAY, samples
from transforms.trace.clock_use import clocks_fingerprint, select_clocks
from transforms.trace.day_clocks import DayClocks
from transforms.trace.lag_model import LagModel

MACHINES, DAYS_PER_FIELD = 8, 2


def district(detour_sd_min: float, ahead_min: float, days: int = 16, seed: int = 3) -> list[dict[str, object]]:
    """Samples of three sites; each field's road takes as much longer or shorter, and the clock of `east` is ahead."""
    rng = np.random.default_rng(seed)
    sites = ("north", "east", "south")
    roads = {(m, p): (rng.uniform(5, 30), rng.normal(0, detour_sd_min)) for m in range(MACHINES) for p in range(days)}
    return [
        {
            "shift_date": DAY + dt.timedelta(days=d),
            "machine_id": f"M{m}",
            "site_id": (site := sites[(m + d // DAYS_PER_FIELD) % 3]),
            "field_id": f"F{m}-{d // DAYS_PER_FIELD}",
            "km": (road := roads[m, d // DAYS_PER_FIELD])[0],
            "lag_min": 14 + 1.5 * road[0] + road[1] + float(rng.normal(0, 3)) + ahead_min * (site == "east"),
        }
        for d in range(days)
        for m in range(MACHINES)
    ]


@pytest.mark.parametrize("seed", [3, 4, 5])
@pytest.mark.parametrize("detour_sd_min", [0.0, 12.0])
def test_slow_roads_are_not_taken_for_clocks(detour_sd_min: float, seed: int):
    offsets = LagModel(samples(district(detour_sd_min, 0.0, seed=seed))).offsets()
    assert not offsets.filter("corrected").height
    resets = offsets.height - offsets.select("subject_kind", "subject_id").n_unique()
    assert resets <= 2  # of 11 clocks on 16 days


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_a_wrong_clock_is_found_beside_slow_roads(seed: int):
    offsets = LagModel(samples(district(6.0, 40.0, seed=seed))).offsets().filter("corrected")
    assert offsets["subject_id"].to_list() == ["east"]
    assert offsets["lo95"][0] < 40 < offsets["hi95"][0]


def test_a_field_has_the_lag_of_its_own_road():
    rows = district(12.0, 0.0)
    day = LagModel(samples(rows)).by_day[DAY]
    error, usual_error = [], []
    for row in rows:
        if row["shift_date"] == DAY:
            site, km = str(row["site_id"]), float(str(row["km"]))
            truth = np.mean([float(str(r["lag_min"])) for r in rows if r["field_id"] == row["field_id"]])
            error.append(day.of_field(str(row["field_id"])).lag_min(site, km) - truth)
            usual_error.append(day.lag_min(site, km) - truth)
    assert np.std(error) < 0.3 * np.std(usual_error)


def test_roads_are_those_of_the_field_alone():
    clocks = DayClocks(site_lag_min={"north": 14.0, "east": 20.0}, haul_min={"F1": {"east": 9.0}})
    assert clocks.of_field("F1").lag_min("east", 0.0) == 29.0
    assert clocks.of_field("F1").lag_min("north", 0.0) == 14.0
    assert clocks.of_field("F2").lag_min("east", 0.0) == 20.0
    uses, by_day = [(str(DAY), ["east"], ["M1"])], {DAY: clocks}
    assert select_clocks("F1", uses, by_day)[DAY].site_lag_min["east"] == 29.0
    assert clocks_fingerprint("F1", uses, by_day) != clocks_fingerprint("F2", uses, by_day)
    assert clocks_fingerprint("F2", uses, by_day) == clocks_fingerprint("F3", uses, by_day)


def test_the_road_of_a_field_is_shrunk_to_its_length():
    late = {"shift_date": DAY, "field_id": "F99", "machine_id": "M1", "site_id": "north", "km": 10.0, "lag_min": 49.0}
    found = LagModel(samples([*district(0.0, 0.0), late])).by_day[DAY].haul_min["F99"]["north"]
    assert 0 < found < 49 - 14 - 1.5 * 10
