"""The prices that `init` asks for are those that change the gains of moves most."""

from dataclasses import fields, replace

from transforms.advice.cost import CropAndHaul, Topping, cost_parts
from transforms.advice.price_sensitivity import CAUSE_PRICES, PLAUSIBLE
from transforms.config.season_writer import ASKED_PRICES
from transforms.config.workspace import Prices

FIELD = CropAndHaul(yield_t_ha=70.0, haul_km=25.0, width_m=3.0)
BEFORE = (12.0, 2.0, 6.0, 4.0)
MOVES = {
    "cleaner": (11.0, 2.0, 6.0, 4.0),
    "rougher": (12.0, 2.3, 6.0, 4.0),
    "slower": (12.0, 2.0, 5.5, 4.0),
    "topped": (12.0, 2.0, 6.0, 3.5),
}
"""Dirt %, root loss t/ha, speed km/h and tops % after a step of each kind."""


def gain(after: tuple[float, ...], prices: Prices) -> float:
    """Gain per tonne of clean beet."""

    def cost(dirt: float, loss: float, speed: float, tops: float) -> float:
        return float(cost_parts(dirt / (100 - dirt), loss, speed, BEFORE[2], FIELD, prices, Topping(tops, 0.05)).total)

    return cost(*BEFORE) - cost(*after)


def leverage(name: str) -> float:
    """Sum over moves of the mean change of the gain if the price is wrong by a plausible factor."""
    changed = [replace(Prices(), **{name: factor * getattr(Prices, name)}) for factor in PLAUSIBLE]
    return sum(abs(gain(move, prices) - gain(move, Prices())) for move in MOVES.values() for prices in changed) / 2


def test_the_asked_prices_have_the_largest_leverage():
    money = [f.name for f in fields(Prices) if "CUR" in f.metadata["unit"]]
    ranked = sorted(money, key=leverage, reverse=True)
    print({name: round(leverage(name), 3) for name in ranked})
    assert set(ranked[: len(ASKED_PRICES)]) == set(ASKED_PRICES)
    assert all(len(set(ASKED_PRICES) & set(names)) == 1 for names in CAUSE_PRICES.values())
