"""Errors for a wrong call or workspace: one sentence, exit code 2, never a traceback."""

import json
import subprocess
import sys

import pytest

from tests.support.program import taretrace, taretrace_here
from transforms.config.workspace import init_workspace


def one_sentence(err: str) -> str:
    lines = [line for line in err.splitlines() if line.strip()]
    assert "Traceback" not in err
    assert len(lines) == 1
    assert lines[0].startswith("taretrace: ")
    return lines[0]


def test_help_names_the_first_command_and_the_exit_codes():
    ran = taretrace("--help")
    assert ran.code == 0
    for word in ("demo", "post-shift", "ingest", "fit", "advise", "report", "export", "status", "init", "Exit codes"):
        assert word in ran.out


def test_init_creates_a_commented_workspace_and_keeps_existing_files(tmp_path):
    first = taretrace_here("init", tmp_path / "w", "--json")
    assert first.code == 0
    season = tmp_path / "w" / "season.toml"
    assert "ASSUMPTION" in season.read_text()
    season.write_text(season.read_text().replace("38.0", "41.5"))
    assert taretrace_here("init", tmp_path / "w").code == 0
    assert "41.5" in season.read_text()
    assert {p.name for p in (tmp_path / "w").iterdir()} == {
        *("season.toml", "season.schema.json", "mapping.schema.json"),
        *("mappings", "inbox", "lake", "out"),
    }


@pytest.mark.parametrize(
    "command", [["ingest"], ["fit"], ["advise"], ["report", "shift"], ["status"], ["export"], ["post-shift"]]
)
def test_a_folder_that_is_not_a_workspace(tmp_path, command):
    ran = taretrace_here(*command, tmp_path)
    assert ran.code == 2
    assert "there is no season.toml" in one_sentence(ran.err)
    assert "taretrace init" in ran.err


@pytest.mark.parametrize(
    ("old", "new", "shown"),
    [
        ('time_zone = "Europe/Prague"', 'time_zone = "Moon/Base"', ("[season]", "'time_zone' is 'Moon/Base'")),
        ('units = "metric"', 'units = "cubits"', ("[season]", "'units' is 'cubits'")),
        ("beet_per_t = 38.0", 'beet_per_t = "much"', ("[prices]", "'beet_per_t' is 'much'")),
        ("beet_per_t = 38.0", "beat_per_t = 38.0", ("[prices]", "'beat_per_t'", "'beet_per_t'")),
        ("[season]", "[season", ("season.toml",)),
        ('shift_starts = "05:00"', 'shift_starts = "early"', ("[season]", "'shift_starts' is 'early'")),
    ],
)
def test_a_wrong_season_file(tmp_path, old, new, shown):
    workspace = init_workspace(tmp_path / "w")
    path = workspace.root / "season.toml"
    path.write_text(path.read_text().replace(old, new))
    ran = taretrace_here("status", workspace.root)
    assert ran.code == 2
    assert all(part in one_sentence(ran.err) for part in shown)


def test_all_errors_of_a_season_file_are_shown_at_once(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    path = workspace.root / "season.toml"
    text = path.read_text().replace('"metric"', '"cubits"').replace("38.0", "nan").replace("[lab]", "[labs]")
    path.write_text(text)
    for command in ("status", "doctor"):
        ran = taretrace_here(command, workspace.root)
        assert ran.code == 2
        assert "Traceback" not in ran.err
        assert all(key in ran.out + ran.err for key in ("units", "beet_per_t", "labs"))


def test_ingest_without_mappings(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    ran = taretrace_here("ingest", workspace.root)
    assert ran.code == 2
    assert "there is no mapping" in one_sentence(ran.err)


def test_fit_before_ingest(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    ran = taretrace_here("fit", workspace.root)
    assert ran.code == 2
    assert "nothing has been ingested yet" in ran.err.splitlines()[-1]


def test_the_demo_never_overwrites_a_folder_that_is_not_a_demo(tmp_path):
    (tmp_path / "mine.txt").write_text("precious")
    ran = taretrace_here("demo", tmp_path)
    assert ran.code == 2
    assert "not empty and is not an earlier demo" in ran.err
    assert (tmp_path / "mine.txt").read_text() == "precious"


def test_an_unknown_command_is_a_wrong_call():
    assert taretrace_here("harvest").code == 2


def test_unmapped_and_broken_files_are_rejected_with_reasons_and_strict_exits_1(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    (workspace.mappings / "fields.toml").write_text(
        'kind = "field"\nfiles = ["fields.csv"]\n'
        + "".join(
            f'[columns.{c}]\nfrom = "{c}"\n' + (f'unit = "{u}"\n' if u else "")
            for c, u in {
                "field_id": "",
                "grower_id": "",
                "station_id": "",
                "lat_deg": "deg",
                "lon_deg": "deg",
                "area_ha": "ha",
                "sand_pct": "pct",
                "clay_pct": "pct",
                "organic_matter_pct": "pct",
                "yield_t_ha": "t/ha",
                "row_spacing_cm": "cm",
            }.items()
        )
    )
    (workspace.inbox / "fields.csv").write_text("a,b\n1,2\n")
    (workspace.inbox / "notes.txt").write_text("hello")
    ran = taretrace_here("ingest", workspace.root, "--strict", "--json")
    assert ran.code == 1, ran.err
    result = json.loads(ran.out)
    assert result["rows_in"] == result["rows_rejected"] == 2
    status = json.loads(taretrace_here("status", workspace.root, "--json").out)
    reasons = {r["file"]: (r["reason_code"], json.loads(r["reason_args"])) for r in status["rejected"]}
    assert reasons["fields.csv"] == ("missing_column", {"column": "field_id", "columns": "a, b"})
    assert reasons["notes.txt"] == ("no_mapping", {})
    assert "there is no column 'field_id'" in next(r["reason"] for r in status["rejected"] if r["file"] == "fields.csv")


def test_a_foreign_warehouse_is_refused_with_a_remedy(tmp_path):
    import duckdb  # noqa: PLC0415

    workspace = init_workspace(tmp_path / "w")
    (workspace.mappings / "f.toml").write_text(
        'kind = "field_boundary"\nfiles = ["*.csv"]\n[columns.field_id]\nfrom = "id"\n[columns.boundary]\nfrom = "b"\n'
    )
    with duckdb.connect(str(workspace.warehouse)) as old:
        old.execute("create table source_file (source_sha256 varchar, file varchar)")
    ran = taretrace_here("ingest", workspace.root)
    assert ran.code == 2
    assert "not a taretrace warehouse, or its tables were changed by hand" in ran.err
    assert "taretrace repair" in ran.err


def test_help_does_not_import_heavy_libraries():
    heavy = {
        "polars",
        "numpy",
        "scipy",
        "duckdb",
        "prefect",
        "altair",
        "dataframely",
        "sklearn",
        "typst",
        "dask",
        "pydantic",
    }
    done = subprocess.run(
        [sys.executable, "-c", f"import sys, flows.cli.app; print(sorted({heavy} & set(sys.modules)))"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "[]"
