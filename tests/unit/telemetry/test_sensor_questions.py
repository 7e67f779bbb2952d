"""Sensors flagged on most days, as `doctor` and `status` report them."""

import datetime as dt
import json

import polars as pl

from flows import stages
from tests.support.program import taretrace_here
from transforms.config.workspace import init_workspace
from transforms.operations.health import check_workspace

HEIGHT, SPEED = "separator_1_height_mm", "cleaner_2_speed_rpm"


def activity(flagged_days: dict[str, int], days: int = 6) -> pl.DataFrame:
    """Rows of one machine whose settings are stuck on their first days."""
    rows = [
        {
            "machine": "m_7",
            "day": f"2025-10-{day:02}",
            "setting": setting,
            "fluctuates": True,
            "stuck": day <= flagged,
            "drift": False,
        }
        for setting, flagged in flagged_days.items()
        for day in range(1, days + 1)
    ]
    return pl.DataFrame(rows)


def test_doctor_and_status_ask_about_a_sensor_that_is_flagged_on_most_days(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    with stages.open_warehouse(workspace) as warehouse:
        warehouse.append("sensor_activity", activity({HEIGHT: 4, SPEED: 3}))
    found = {f.code: f for f in check_workspace(workspace, dt.datetime.now(dt.UTC))}
    finding = found["sensor.flagged_on_most_days"]
    assert finding.state == "note"
    assert json.loads(finding.says.args) == {
        "n": 1,
        "machine_id": "m_7",
        "setting": HEIGHT,
        "fault_code": "stuck",
        "flagged": 4,
        "days": 6,
    }
    asked = json.loads(taretrace_here("status", workspace.root, "--json").out)["questioned_sensors"]
    assert [(row["setting"], row["flagged"], row["days"]) for row in asked] == [(HEIGHT, 4, 6)]


def test_nothing_is_asked_about_sensors_that_are_seldom_flagged(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    with stages.open_warehouse(workspace) as warehouse:
        warehouse.append("sensor_activity", activity({HEIGHT: 3, SPEED: 0}))
    codes = {f.code for f in check_workspace(workspace, dt.datetime.now(dt.UTC))}
    assert "sensor.flagged_on_most_days" not in codes
