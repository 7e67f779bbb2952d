"""The same season on a laptop and on a cluster with object storage gives bit-identical tables."""

import os
import shutil
import subprocess
import time

import pytest

from flows.pipeline.demo import write_demo
from tests.support.program import PROGRAM, taretrace, taretrace_here
from tests.support.servers import cluster, object_storage
from tests.support.workspace_tables import assert_same, every_table
from tests.validation.seasons import QUIET
from transforms.config.workspace import Workspace, init_workspace
from transforms.storage.lake import Lake


@pytest.mark.slow
def test_a_cluster_with_object_storage_gives_the_same_tables_even_if_a_worker_dies(tmp_path, monkeypatch, prefect_home):
    laptop = write_demo(tmp_path / "laptop", machines=3, days=4, seed=3, hz=0.1, reporter=QUIET)
    season = Workspace(shutil.copytree(laptop.root, tmp_path / "season"))
    monkeypatch.setenv("PREFECT_HOME", str(prefect_home))
    ran = taretrace("post-shift", laptop.root, "--json")
    assert ran.code == 0, ran.err
    with object_storage("fleet") as env, cluster(2, env, tmp_path) as there:
        for name, value in env.items():
            monkeypatch.setenv(name, value)
        run = f'[run]\nengine = "dask"\naddress = "{there.address}"\nlake = "s3://fleet/season"'
        toml = season.root / "season.toml"
        toml.write_text(toml.read_text().replace("[run]", run))
        process = subprocess.Popen(
            [*PROGRAM, "post-shift", str(season.root), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=dict(os.environ),
        )
        lake = Lake(Workspace(season.root).lake)
        while len(lake.binned()) < 4 and process.poll() is None:
            time.sleep(0.1)
        there.workers[0].kill()
        binned_when_killed = len(lake.binned())
        _, err = process.communicate()
        assert process.returncode == 0, err
        assert "Traceback" not in err
        assert binned_when_killed < 12
        assert not (season.root / "lake" / "bin").exists()
        assert "Lost all workers" not in (tmp_path / "scheduler.log").read_text()
        there_tables = every_table(Workspace(season.root), telemetry=True)
    assert_same(every_table(laptop, telemetry=True), there_tables)


@pytest.mark.slow
def test_an_unreachable_scheduler_is_reported_in_one_sentence(tmp_path):
    season = write_demo(tmp_path / "season", machines=2, days=2, seed=3, hz=0.1, reporter=QUIET)
    toml = season.root / "season.toml"
    toml.write_text(toml.read_text().replace("[run]", '[run]\nengine = "dask"\naddress = "tcp://127.0.0.1:9"'))
    ran = taretrace("post-shift", season.root, "--json")
    assert ran.code == 2
    assert ran.err.startswith("taretrace: no Dask scheduler answers at tcp://127.0.0.1:9 in season.toml [run] address")
    assert ran.err.count("\n") == 1


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('engine = "spark"', "'engine' is 'spark'"),
        ('engine = "dask"', "'address' is missing"),
        ("keep_telemetry_days = -1", "'keep_telemetry_days' is -1"),
        ('lakes = "x"', "'lakes' is not known"),
    ],
)
def test_a_wrong_value_in_run_is_reported(tmp_path, line, says):
    toml = init_workspace(tmp_path / "season").root / "season.toml"
    toml.write_text(toml.read_text().replace("[run]", f"[run]\n{line}"))
    ran = taretrace_here("status", tmp_path / "season")
    assert ran.code == 2
    assert says in ran.err
