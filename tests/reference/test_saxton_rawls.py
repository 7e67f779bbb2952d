"""Saxton and Rawls 2006, SSSAJ 70:1569-1578, Table 3 at 2.5 % organic matter: all twelve textures."""

import pytest

from transforms.conditions.soil import soil_water

# texture, sand %, clay %, wilting point, field capacity, saturation (% v/v), conductivity mm/h, density t/m3.
# Water and conductivity were seen in a public copy of the table, but for the last two rows; densities are FROM MEMORY.
TABLE_3 = [
    ("sand", 88, 5, 5, 10, 46, 108.1, 1.43),
    ("loamy sand", 80, 5, 5, 12, 46, 96.7, 1.43),
    ("sandy loam", 65, 10, 8, 18, 45, 50.3, 1.46),
    ("loam", 40, 20, 14, 28, 46, 15.5, 1.43),
    ("silt loam", 20, 15, 11, 31, 48, 16.1, 1.38),
    ("silt", 10, 5, 6, 30, 48, 22.0, 1.38),
    ("sandy clay loam", 60, 25, 17, 27, 43, 11.3, 1.50),
    ("clay loam", 30, 35, 22, 36, 48, 4.3, 1.39),
    ("silty clay loam", 10, 35, 22, 38, 51, 5.7, 1.30),
    ("silty clay", 10, 45, 27, 41, 52, 3.7, 1.26),
    ("sandy clay", 50, 40, 25, 36, 44, 1.4, 1.47),
    ("clay", 25, 50, 30, 42, 50, 1.1, 1.33),
]


@pytest.mark.parametrize(
    ("sand", "clay", "wp", "fc", "sat", "ks", "rho"), [r[1:] for r in TABLE_3], ids=[r[0] for r in TABLE_3]
)
def test_table_3(sand, clay, wp, fc, sat, ks, rho):
    soil = soil_water(sand, clay, 2.5)
    assert 100 * soil.wilting_point == pytest.approx(wp, abs=0.6)
    assert 100 * soil.field_capacity == pytest.approx(fc, abs=0.6)
    assert 100 * soil.saturation == pytest.approx(sat, abs=0.6)
    assert soil.conductivity_mm_h == pytest.approx(ks, abs=0.06)
    assert soil.density_t_m3 == pytest.approx(rho, abs=0.01)
