"""The stage that compares advice with what machines did, on a season of rows in memory."""

import datetime as dt
from contextlib import contextmanager, nullcontext
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import polars as pl
import pytest

from flows.stages import outcome
from tests.unit.jobs.test_advice_uptake import SETUP, log
from tests.unit.storage.test_advice_record import DAWN, DAY, advice, facts, set_facts
from transforms.advice.cost import soil_cost_per_t
from transforms.config.workspace import Prices, Workspace
from transforms.storage.advice_record import record_advice
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse
from transforms.trace.haul_distance import UNKNOWN_KM

if TYPE_CHECKING:
    from flows.runtime.progress import Reporter


class Silent:
    """A reporter that shows nothing."""

    @contextmanager
    def stage(self, *_: object):
        yield


def test_uptake_and_saving_of_the_last_shift_are_stored(tmp_path, monkeypatch):
    season = SimpleNamespace(**SETUP, prices=Prices(), sites={"S1": (52.0, 10.0)})
    workspace = cast("Workspace", SimpleNamespace(lake=tmp_path, season=season))
    with Warehouse.in_memory() as warehouse:
        monkeypatch.setattr(outcome, "open_warehouse", lambda _: nullcontext(warehouse))
        monkeypatch.setattr(outcome, "require_facts", lambda *_: None)
        set_facts(warehouse, facts())
        levels = {"dirt_before_pct": 20.0, "dirt_after_pct": 10.0, "dirt_lo95": -70.0, "dirt_hi95": -40.0}
        moves = advice(("M1", 30.0, 40.0)).with_columns(field_id=pl.lit("F1"), move_number=1)
        record_advice(warehouse, moves.with_columns(pl.lit(v).alias(c) for c, v in levels.items()), DAWN)
        hours = {"field_id": "F1", "hour_at": DAWN, "topsoil_wetness": 0.5}
        warehouse.replace("field_hour", pl.DataFrame([hours]).cast({"hour_at": pl.Datetime("us", "UTC")}))
        log(warehouse, Lake(tmp_path), 40.0, "a")
        lifted = facts(("L1", "M1", DAY, 40.0), ("L2", "M1", DAY, 40.0), ("L3", "M1", DAY, 40.0))
        fields, dirt = pl.Series("field_id", ["F1", "F1", "F2"]), pl.Series("dirt_tare_pct", [10.0, None, 50.0])
        set_facts(warehouse, lifted.with_columns(fields, dirt, site_id=pl.lit("S1"), clean_t=20.0))
        outcome.assess_uptake(workspace, cast("Reporter", Silent()))
        assert warehouse.table("advice_uptake")["uptake_code"].to_list() == ["followed"]
        unit = warehouse.table("realised_shift").row(0, named=True)
        cost = soil_cost_per_t(UNKNOWN_KM, Prices())
        assert (unit["machine_id"], unit["shift_date"], unit["loads"]) == ("M1", DAY, 1)
        assert unit["saved_per_t"] == pytest.approx(cost * (0.25 - 1 / 9))
        assert unit["promised_per_t"] == pytest.approx(cost * (0.25 - 1 / 9) * unit["made_share"])
        assert warehouse.table("realised_saving")["verdict_code"].to_list() == ["too_few", "too_few"]
        assert warehouse.query("advice_followed", shift_date=DAY)["uptake_code"].to_list() == ["followed"]
        assert warehouse.query("advice_followed", shift_date=DAY + dt.timedelta(days=1)).height == 0
