"""Beet quality, root breakage and lifted soil against published figures."""

import pytest

from transforms.beet_quality import molasses_loss_pct, recoverable_sugar_pct
from transforms.conditions.soil import soil_lifted_t_ha
from transforms.losses import break_loss_fraction

SHORT_TON_PER_ACRE_IN_T_HA = 2.2417


def test_new_braunschweig_formula():
    """Buchholz et al. 1995, Zuckerindustrie 120(2):113-121: SMV = 0.12 (K + Na) + 0.24 aN + 0.48."""
    assert molasses_loss_pct(4.0, 0.5, 1.2) == pytest.approx(1.308)
    assert molasses_loss_pct(0.0, 0.0, 0.0) == pytest.approx(0.48)


def test_recoverable_sugar_is_sugar_less_molasses_and_factory_loss():
    """Same source: BZG = Pol - 0.12 (K + Na) - 0.24 aN - 1.08."""
    assert recoverable_sugar_pct(18.0, 4.0, 0.5, 1.2) == pytest.approx(18.0 - 0.12 * 4.5 - 0.24 * 1.2 - 1.08)


@pytest.mark.parametrize(("diameter", "loss"), [(3.0, 0.03), (6.0, 0.11)])
def test_published_points_of_root_breakage(diameter, loss):
    """A seed-breeder agronomy bulletin: a break of 3 cm loses 3 % of the root, one of 6 cm loses 11 %."""
    assert break_loss_fraction(diameter) == pytest.approx(loss)


@pytest.mark.parametrize(
    ("density", "water", "tons"), [(1.2, 0.0, 68.0), (1.3, 0.0, 73.6), (1.3, 0.2, 88.4), (1.5, 0.2, 102.0)]
)
def test_full_width_soil_of_half_an_inch_on_an_acre(density, water, tons):
    """Arithmetic of an acre: 43,560 square feet by half an inch hold 1,815 cubic feet of soil."""
    lifted = soil_lifted_t_ha(1.27, density, 1.0, water)
    assert lifted / SHORT_TON_PER_ACRE_IN_T_HA == pytest.approx(tons, abs=0.1)


def test_half_an_inch_lifts_some_thirty_tons_an_acre():
    """Common practice, no source: 30 short tons an acre per half inch; it implies 0.3 to 0.44 of the row width."""
    lifted = [soil_lifted_t_ha(1.27, 1.3, strip) / SHORT_TON_PER_ACRE_IN_T_HA for strip in (0.30, 0.44)]
    assert lifted[0] < 30 < lifted[1]
