"""Due times, missed jobs, the inbox watch and the run log."""

import datetime as dt
import json
from zoneinfo import ZoneInfo

import pytest

from flows.scheduling.flow_names import deployment_name
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT, SEASON_END, Slot, last_due_time, slots
from flows.scheduling.service import InboxWatch, deployments, find_missed_jobs
from transforms.config.problems import ConfigError
from transforms.config.runtime import read_notify, read_place, read_schedule
from transforms.config.workspace import Workspace, init_workspace
from transforms.storage.run_log import RunLog

PRAGUE = ZoneInfo("Europe/Prague")


def local(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=PRAGUE).astimezone(dt.UTC)


def season_of(tmp_path, lines: str = "") -> Workspace:
    workspace = init_workspace(tmp_path / "season")
    toml = workspace.root / "season.toml"
    toml.write_text(toml.read_text().replace("[schedule]", f"[schedule]\n{lines}"))
    return workspace


def test_the_usual_week(tmp_path):
    season = season_of(tmp_path, 'season_end = "2026-01-20 06:00"').season
    assert [(s.job, s.cron) for s in slots(season)] == [
        (POST_SHIFT, "20 5 * * *"),
        (REFIT, "0 2 * * *"),
        (COMPARE, "0 3 * * MON"),
        (SEASON_END, "0 6 20 1 *"),
    ]


@pytest.mark.parametrize(
    ("now", "due"),
    [
        ("2025-10-25 05:19", "2025-10-24 05:20"),
        ("2025-10-25 05:20", "2025-10-25 05:20"),
        ("2025-10-26 06:00", "2025-10-26 05:20"),  # clocks went back at 03:00: still 05:20 local time
        ("2026-03-29 06:00", "2026-03-29 05:20"),  # clocks went forward
    ],
)
def test_a_time_of_day_is_local_time_also_when_clocks_change(now, due):
    assert Slot(POST_SHIFT, dt.time(5, 20)).last_before(local(now), PRAGUE) == local(due)


def test_a_weekday_and_a_date():
    weekly = Slot(COMPARE, dt.time(3), weekday=0)
    assert weekly.last_before(local("2025-10-26 12:00"), PRAGUE) == local("2025-10-20 03:00")  # a Sunday
    once = Slot(SEASON_END, dt.time(6), date=dt.date(2026, 1, 20))
    assert once.last_before(local("2026-01-20 05:59"), PRAGUE) is None
    assert once.last_before(local("2027-06-01 00:00"), PRAGUE) == local("2026-01-20 06:00")


def test_a_job_missed_several_times_is_due_once(tmp_path):
    workspace = season_of(tmp_path)
    now = local("2025-10-25 12:00")
    log = RunLog(workspace.log, clock=lambda: now)
    assert find_missed_jobs(workspace, now, log) == []  # a season without any run has missed nothing
    log.write(POST_SHIFT, "ended", began_at=local("2025-10-20 05:20").isoformat(), due=None)
    assert find_missed_jobs(workspace, now, log) == [POST_SHIFT, REFIT, COMPARE]
    log.write(POST_SHIFT, "failed", began_at=now.isoformat(), due=None)
    assert POST_SHIFT in find_missed_jobs(workspace, now, log)  # a failed run does not count
    for job in (POST_SHIFT, REFIT, COMPARE):
        log.write(job, "ended", began_at=now.isoformat(), due=None)
    assert find_missed_jobs(workspace, now, log) == []


def test_a_run_that_began_slightly_early_counts_for_its_due_time(tmp_path):
    log, due = RunLog(tmp_path), local("2025-10-25 05:20")
    log.write(POST_SHIFT, "ended", began_at=(due - dt.timedelta(seconds=1)).isoformat(), due=due)
    assert log.done_since(POST_SHIFT, due)
    assert not log.done_since(POST_SHIFT, due + dt.timedelta(seconds=1))


def test_an_incomplete_log_line_is_skipped(tmp_path):
    log = RunLog(tmp_path)
    log.write("a", "ended", n=1)
    path = next(tmp_path.glob("*.jsonl"))
    path.write_text(path.read_text() + '{"at": "2026-')
    log.write("b", "ended", n=2)
    assert [line.get("n") for line in log.lines()] == [1] or [line["n"] for line in log.lines()] == [2, 1]
    last = log.last("a", "ended")
    assert last is not None
    assert last["n"] == 1


def test_workspaces_with_equal_folder_names_have_different_deployments(tmp_path):
    one, two = (season_of(tmp_path / firm) for firm in ("north", "south"))
    assert deployment_name(one) == deployment_name(Workspace(one.root.parent / "." / "season"))
    names = {w.root: {d.name for d in deployments(w)} for w in (one, two)}
    assert names == {one.root: {deployment_name(one)}, two.root: {deployment_name(two)}}
    assert deployment_name(one) != deployment_name(two)
    assert all(n.startswith("season-") for own_names in names.values() for n in own_names)


def test_files_are_reported_once_and_only_after_they_stop_changing(tmp_path):
    workspace = season_of(tmp_path)
    (workspace.inbox / "old.csv").write_text("a")
    watch = InboxWatch(workspace)
    assert watch.new_files() == 0
    new = workspace.inbox / "new.csv"
    new.write_text("half")
    assert watch.new_files() == 0  # just arrived
    new.write_text("half and whole")
    assert watch.new_files() == 0  # still growing
    assert watch.new_files() == 1
    assert watch.new_files() == 0
    new.write_text("corrected by hand")
    assert (watch.new_files(), watch.new_files()) == (0, 1)
    new.unlink()
    assert watch.new_files() == 0


def test_due_before_takes_the_last_of_several_shifts(tmp_path):
    season = season_of(tmp_path, 'after_shift = ["06:00", "18:00"]').season
    assert last_due_time(POST_SHIFT, season, local("2025-10-25 19:00")) == local("2025-10-25 18:00")


@pytest.mark.parametrize(
    ("read", "table", "code", "key"),
    [
        (read_schedule, {"refit": "2 o'clock"}, "wrong_value", "refit"),
        (read_schedule, {"compare": "Funday 03:00"}, "wrong_value", "compare"),
        (read_schedule, {"refits": "02:00"}, "unknown_key", "refits"),
        (read_schedule, {"after_shift": 5}, "wrong_value", "after_shift"),
        (read_notify, {"webhook": "ftp://x"}, "wrong_value", "webhook"),
        (read_notify, {"rejected_pct": "many"}, "wrong_value", "rejected_pct"),
        (read_place, {"engine": 3}, "wrong_value", "engine"),
        (read_place, [], "wrong_table", ""),
    ],
)
def test_a_wrong_value_is_reported_with_a_remedy(read, table, code, key):
    with pytest.raises(ConfigError) as raised:
        read(table, dt.time(5), "here") if read is read_schedule else read(table, "here")
    assert [(p.code, p.key) for p in raised.value.problems] == [(code, key)]
    assert raised.value.remedy


def test_every_log_line_is_json(tmp_path):
    log = RunLog(tmp_path)
    log.write("post-shift", "stage", stage="Reading 3 new files", seconds=1.5)
    (line,) = next(tmp_path.glob("*.jsonl")).read_text().splitlines()
    assert json.loads(line)["stage"] == "Reading 3 new files"
