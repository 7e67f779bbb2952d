"""FAO Irrigation and Drainage Paper 56 (Allen, Pereira, Raes, Smith 1998): its worked examples."""

import numpy as np
import pytest

from transforms.conditions.evaporation_layer import Layer, advance_layer, compute_layer, kc_max, reduction_coefficient
from transforms.conditions.evapotranspiration import (
    hargreaves_mm,
    penman_monteith_mm,
    sun,
    vapour_pressure_kpa,
)


def test_example_18_penman_monteith_for_uccle():
    """Book: 3.9 mm/d, 3.88 unrounded (public test suites of pyet and PyETo carry its inputs)."""
    above = sun(50.80, 187)
    solar = (0.25 + 0.50 * 9.25 / above.daylight_h) * above.radiation_mj_m2  # equation 35
    assert solar == pytest.approx(22.07, abs=0.005)
    vapour = (vapour_pressure_kpa(21.5) * 0.63 + vapour_pressure_kpa(12.3) * 0.84) / 2
    et0 = penman_monteith_mm(
        t_max_c=21.5, t_min_c=12.3, vapour_kpa=vapour, wind_m_s=2.078, solar_mj_m2=solar, above=above, altitude_m=100
    )
    assert et0 == pytest.approx(3.88, abs=0.005)


def test_example_18_intermediate_values():
    above = sun(50.80, 187)
    assert above.radiation_mj_m2 == pytest.approx(41.09, abs=0.005)
    assert above.daylight_h == pytest.approx(16.1, abs=0.05)


def test_example_3_saturation_vapour_pressure():
    assert vapour_pressure_kpa(24.5) == pytest.approx(3.075, abs=0.0005)
    assert vapour_pressure_kpa(15.0) == pytest.approx(1.705, abs=0.0005)


@pytest.mark.parametrize(("lat", "day", "radiation", "hours"), [(-20.0, 246, 32.2, 11.7)])
def test_examples_8_and_9_sun(lat, day, radiation, hours):
    above = sun(lat, day)
    assert above.radiation_mj_m2 == pytest.approx(radiation, abs=0.05)
    assert above.daylight_h == pytest.approx(hours, abs=0.05)


def test_example_20_hargreaves_for_lyon():
    """Book: 5.0 mm/d (pyet's public test of the Lyon case)."""
    assert hargreaves_mm(t_max_c=26.6, t_min_c=14.8, above=sun(45.72, 196)) == pytest.approx(5.0, abs=0.05)


# De start, Kr, Ke, E, De end of each day; inputs FROM MEMORY, outputs computed apart from this project: a fixture of
# the equations, not "the FAO table".
TEN_DAYS = [
    (4.5, 1.000, 0.912, 4.10, 5.13),
    (5.0, 1.000, 0.901, 4.50, 10.76),
    (3.9, 0.724, 0.644, 2.51, 13.90),
    (4.2, 0.410, 0.360, 1.51, 15.79),
    (4.8, 0.221, 0.192, 0.92, 16.94),
    (2.7, 0.706, 0.605, 1.63, 12.78),
    (5.8, 0.522, 0.441, 2.56, 15.69),
    (5.1, 0.231, 0.193, 0.98, 16.82),
    (4.7, 0.118, 0.098, 0.46, 17.34),
    (5.2, 0.066, 0.053, 0.28, 17.67),
]


def test_ten_day_dual_coefficient_balance():
    layer = Layer(np.array([18.0]), np.array([8.0]))
    upper = kc_max(np.array([1.6]), np.array([35.0]), 0.30, 0.40)
    assert upper[0] == pytest.approx(1.2120, abs=0.0001)
    depletion = np.array([18.0])
    for day, (et0, kr, ke, evaporation, end) in enumerate(TEN_DAYS):
        kcb, bare = 0.30 + 0.10 * day / 9, 0.92 - 0.06 * day / 9
        exposed = min(bare, 0.8 if day < 5 else 1.0)
        water = {0: 50.0, 5: 6.0}.get(day, 0.0)
        assert reduction_coefficient(np.maximum(depletion - water, 0), layer)[0] == pytest.approx(kr, abs=0.002)
        depletion, evaporated = advance_layer(
            depletion,
            water_mm=np.array([water]),
            et0_mm=np.array([et0]),
            layer=layer,
            kc_upper=upper,
            kcb=kcb,
            exposed=exposed,
        )
        assert evaporated[0] / et0 == pytest.approx(ke, abs=0.002)
        assert evaporated[0] == pytest.approx(evaporation, abs=0.01)
        assert depletion[0] == pytest.approx(end, abs=0.02)


def test_total_evaporable_water_of_a_sandy_loam():
    """Equation 73: thFC 0.23, thWP 0.10 and a layer of 0.10 m hold 18 mm."""
    layer = compute_layer(np.array([0.23]), np.array([0.10]), np.array([65.0]), np.array([10.0]))
    assert layer.tew[0] == pytest.approx(18.0)
    assert 0 < layer.rew[0] < layer.tew[0]
