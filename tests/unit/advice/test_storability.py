import datetime as dt
import json

import numpy as np
import polars as pl
import pytest

from transforms.advice.storability import HEALTHY_KG_PER_T_DAY, expected_storage_loss, storability
from transforms.advice.storage import condition_factor, damaged_share, healthy_loss_kg_per_t_day
from transforms.config.workspace import Prices
from transforms.contracts.reason import codes_of

DAY = dt.date(2025, 10, 20)


def loads(**columns) -> pl.DataFrame:
    n = len(next(iter(columns.values())))
    base = {
        "load_id": [f"L{i}" for i in range(n)],
        "site_id": ["S"] * n,
        "shift_date": [DAY] * n,
        "machine_id": ["M"] * n,
        "delivered_t": [25.0] * n,
        "dirt_tare_pct": [6.0] * n,
        "top_tare_pct": [4.0] * n,
        "yield_t_ha": [75.0] * n,
    }
    return pl.DataFrame({**base, **columns})


def audits(loss: float) -> pl.DataFrame:
    return pl.DataFrame({"machine_id": ["M"], "shift_date": [DAY], "root_loss_t_ha": [loss]})


def checks(damaged: float, day: dt.date = DAY) -> pl.DataFrame:
    """Return a root check of 50 roots of the machine."""
    count = {"damaged_count": [damaged], "damage_checked_count": [50.0]}
    return pl.DataFrame({"machine_id": ["M"], "shift_date": [day], **count})


NO_CHECKS = checks(0.0).clear()


def temps(*values: float) -> pl.DataFrame:
    return pl.DataFrame({"load_id": [f"L{i}" for i in range(len(values))], "root_temp_c": list(values)})


def test_the_published_losses_of_six_weeks_come_back():
    """Ekeloef 2019, in English 2020: 19.0 to 18.5 % at 5.5 C and to 18.1 % at 9.6 C in six weeks."""
    assert 42 * healthy_loss_kg_per_t_day(5.5) == pytest.approx(5.0)
    assert 42 * healthy_loss_kg_per_t_day(9.6) == pytest.approx(9.0)


def test_losses_of_healthy_roots_lie_within_the_published_bounds():
    """Strausbaugh 2009, 0.2 to 0.5 lb per short ton and day; between 4.4 and 7 C losses of 1948 and 1949 grew 1.19- and
    2.29-fold (Downie, in English 2020)."""
    assert pytest.approx((0.2 / 2000 * 1000, 0.5 / 2000 * 1000)) == HEALTHY_KG_PER_T_DAY
    rates = healthy_loss_kg_per_t_day(np.linspace(4.4, 10.5, 20))
    assert rates.min() >= HEALTHY_KG_PER_T_DAY[0]
    assert rates.max() <= HEALTHY_KG_PER_T_DAY[1]
    grows = float(healthy_loss_kg_per_t_day(7.0) / healthy_loss_kg_per_t_day(4.4))
    assert 1.19 < grows < 2.29


def test_beyond_what_was_published_the_edge_counts():
    assert healthy_loss_kg_per_t_day(25.0) == healthy_loss_kg_per_t_day(16.0)
    assert healthy_loss_kg_per_t_day(-5.0) == healthy_loss_kg_per_t_day(0.0)


def test_damage_dirt_and_tops_add_up():
    """Severely damaged roots respire fourfold (Zandstra and Squire); 1.5 % of yield is broken off (assumption)."""
    usual = 1 + 3 * 0.015 / 0.11
    assert condition_factor(0, 0, 0.015 / 0.11, Prices()) == pytest.approx(1.0)
    assert condition_factor(0, 0, 1.0, Prices()) == pytest.approx(4.0 / usual)
    assert condition_factor(10, 4, 0.1, Prices()) == pytest.approx(1.3 / usual + 0.10 + 0.06)
    assert condition_factor(10, 4, 0.1, Prices(), 20.0) == pytest.approx(1.3 / usual + 0.10 + 0.06 + 0.12)
    assert damaged_share(75 * 0.11, 75.0) == pytest.approx(1.0)


def test_warm_roots_cool_by_halves():
    kept = expected_storage_loss(np.array([6.0, 16.0]), np.ones(2), 30, 6.0)
    assert kept.loss_kg_per_t[0] == pytest.approx(30 * float(healthy_loss_kg_per_t_day(6.0)))
    by_day = [float(healthy_loss_kg_per_t_day(6 + 10 * 2 ** (-(d + 0.5) / 5))) for d in range(30)]
    assert kept.loss_kg_per_t[1] == pytest.approx(sum(by_day))


def test_classes_and_their_reasons():
    facts = loads(dirt_tare_pct=[4.0, 4.0, 60.0], top_tare_pct=[2.0, 2.0, 25.0])
    table = storability(facts, audits(0.5), NO_CHECKS, temps(5.0, 15.0, 9.0), Prices(storage_temp_c=4.0))
    assert table["storability"].to_list() == ["long pile", "slice now", "short pile"]
    assert table["reason_code"].to_list() == ["loses_little", "roots_too_warm_to_pile", "loses_like_upper_half"]
    assert json.loads(table["reason_args"][1])["limit_c"] == pytest.approx((55 - 32) / 1.8, rel=1e-5)
    long = storability(facts, audits(0.5), NO_CHECKS, temps(5.0, 5.0, 5.0), Prices(storage_temp_c=6.0, storage_days=80))
    assert long["storability"].to_list()[:2] == ["short pile"] * 2
    assert "rots_before_sliced" in codes_of(*long.select("reason_code", "reason_args").row(0))


def test_a_load_without_a_tare_has_no_class():
    facts = loads(dirt_tare_pct=[None, 5.0])
    assert storability(facts, audits(1.0), NO_CHECKS, temps(6, 6), Prices())["load_id"].to_list() == ["L1"]


def test_damage_is_that_of_the_day_s_audits_else_the_machine_s():
    facts = loads(shift_date=[DAY, dt.date(2025, 10, 21)])
    both = pl.concat([audits(4.0), audits(1.0).with_columns(pl.lit(dt.date(2025, 10, 19)).alias("shift_date"))])
    table = storability(facts, both, NO_CHECKS, temps(6, 6), Prices())
    assert table["damaged_pct"].to_list() == pytest.approx([100 * 4 / 75 / 0.11, 100 * 2.5 / 75 / 0.11])


def test_damage_of_the_skin_loses_sugar_in_the_pile():
    """The day's check found 30 % of roots damaged, that of another day 10 %: 18 and 12 % more than the loads' own."""
    facts, both = (
        loads(shift_date=[DAY, dt.date(2025, 10, 21)]),
        pl.concat([checks(15.0), checks(5.0, dt.date(2025, 10, 19))]),
    )
    args = (temps(6, 6), Prices())
    lost, without = (storability(facts, audits(1.0), c, *args)["loss_kg_per_t"].to_numpy() for c in (both, NO_CHECKS))
    assert (lost - without) / (without / condition_factor(6, 4, damaged_share(1.0, 75.0), Prices())) == pytest.approx(
        [0.18, 0.12]
    )


def test_a_season_that_stores_nothing_loses_nothing_and_slices_nothing_for_it():
    table = storability(
        loads(dirt_tare_pct=[5.0, 9.0]), audits(0.5), NO_CHECKS, temps(5.0, 5.0), Prices(storage_days=0)
    )
    assert table["loss_kg_per_t"].to_list() == [0.0, 0.0]
    assert table["storability"].to_list() == ["long pile", "long pile"]


def test_an_old_pile_has_cooled():
    facts = loads(shift_date=[DAY - dt.timedelta(days=5), DAY])
    table = storability(facts, audits(1.0), NO_CHECKS, temps(16.0, 16.0), Prices(storage_temp_c=6.0))
    assert table["age_days"].to_list() == [5, 0]
    ratio = table["loss_now_kg_per_t_day"][0] / table["loss_now_kg_per_t_day"][1]
    assert ratio == pytest.approx(float(healthy_loss_kg_per_t_day(11.0) / healthy_loss_kg_per_t_day(16.0)))


def test_a_season_without_loads_has_no_piles():
    empty = storability(loads(dirt_tare_pct=[5.0]).clear(), audits(1.0), NO_CHECKS, temps(6), Prices())
    assert empty.height == 0
    assert empty.columns == storability(loads(dirt_tare_pct=[5.0]), audits(1.0), NO_CHECKS, temps(6), Prices()).columns
