"""Root checks and audits of other shapes through the stages: links to loads, machines and fields, and findings."""

import datetime as dt
import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from flows import stages
from tests.support.harvest_checks import mapped, measured
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.config.workspace import Workspace
from transforms.model.root_loss import root_loss
from transforms.operations.export import exported_tables
from transforms.storage.lake import Lake

MEASURED = ("petioles_over_2_cm_count", "over_topped_count", "broken_2_4_cm_count", "broken_4_6_cm_count")
RESULTS = dict(zip(MEASURED, (4, 6, 30, 10), strict=True))


def local(at: dt.datetime, zone: str) -> str:
    return pl.select(pl.lit(at).dt.convert_time_zone(zone).dt.strftime("%Y-%m-%d %H:%M")).item()


def deliver(workspace: Workspace, name: str, mapping: str, rows: list[dict[str, Any]]) -> None:
    (workspace.mappings / f"own_{name.split('.', maxsplit=1)[0]}.toml").write_text(mapping)
    pl.DataFrame(rows).write_csv(workspace.inbox / name)


def run_stages(workspace: Workspace) -> None:
    for stage in (stages.receive_files, stages.trace_loads, stages.build_marts):
        stage(workspace, QUIET)


@pytest.fixture(scope="module")
def checked(season: Season, tmp_path_factory) -> tuple[Workspace, dict[str, pl.DataFrame]]:
    """The small season with five root checks and a file of audits that state their loss; and its tables."""
    workspace = copy_of(season, tmp_path_factory.mktemp("checks") / "w")
    zone = workspace.season.time_zone
    with stages.open_warehouse(workspace) as warehouse:
        load = warehouse.table("load_fact").filter(pl.col("trace_quality") > 0.8).row(0, named=True)
        audit = warehouse.table("audit_fact").drop_nulls("share_depth_cm").row(0, named=True)
    later = audit["audited_at"] + dt.timedelta(minutes=1)
    links = {
        "by-load": {"Ticket": load["load_id"], "at": load["weighed_at"], "Place": "Hof"},
        "by-minute": {"Machine": audit["machine_id"], "Field": audit["field_id"], "at": later, "Place": "Bunker"},
        "by-machine": {"Machine": audit["machine_id"], "at": later},
        "unknown-load": {"Ticket": "none", "Machine": audit["machine_id"], "at": later},
        "nowhere": {"Field": "no field", "at": later},
    }
    rows = [
        {
            "Check": name,
            "Checked": local(link.pop("at"), zone),
            "Roots": 100,
            **RESULTS,
            **{c: link.get(c) for c in ("Ticket", "Machine", "Field", "Place")},
        }
        for name, link in links.items()
    ]
    deliver(workspace, "root_checks_1.csv", measured(*MEASURED), rows)
    stated = mapped(root_loss_t_ha=("Loss", "short_ton/acre"), tip_loss_t_ha=("Tips", "short_ton/acre"))
    dug = {"Audit": "X1", "Machine": audit["machine_id"], "Field": audit["field_id"]}
    at = audit["audited_at"].strftime("%Y-%m-%d %H:%M")
    deliver(workspace, "audits_1.csv", stated, [{**dug, "Dug": at, "Loss": 1.0, "Tips": 0.6}])
    run_stages(workspace)
    with stages.open_warehouse(workspace) as warehouse:
        tables = exported_tables(warehouse, Lake(workspace.lake))
        findings = warehouse.query("source_finding").filter(pl.col("reason_code") != "mapping_not_fitting")
        assert findings.height == season_findings(season)
    return workspace, tables | {"load": pl.DataFrame([load]), "audit": pl.DataFrame([audit])}


def season_findings(season: Season) -> int:
    with stages.open_warehouse(season.workspace) as warehouse:
        assert warehouse.table("audit_finding").height == 0
        assert warehouse.table("audit_fact").height > 10
        return warehouse.query("source_finding").height


def fact(tables: dict[str, pl.DataFrame], check_id: str) -> dict[str, Any]:
    return tables["root_check_fact"].filter(check_id=check_id).row(0, named=True)


def test_a_check_of_a_known_load_has_its_settings_time_and_quality(checked, catalogue):
    _, tables = checked
    row, load = fact(tables, "by-load"), tables["load"].row(0, named=True)
    same = (
        "load_id",
        "machine_id",
        "field_id",
        "shift_date",
        "trace_quality",
        "topsoil_wetness",
        "rain_24h_mm",
        "rain_72h_mm",
        "air_temp_c",
        "air_temp_10d_c",
        "clay_pct",
        "yield_t_ha",
        "row_spacing_cm",
        "generation",
        "operator_id",
        *catalogue,
    )
    assert {n: row[n] for n in same} == {n: load[n] for n in same}
    assert row["checked_at"] == load["lifted_at"] < load["weighed_at"]
    assert row["share_depth_cm"] is not None


@pytest.mark.parametrize("check", ["by-minute", "by-machine", "unknown-load"])
def test_a_check_of_a_machine_has_the_settings_of_the_minutes_before_it(checked, check, catalogue):
    _, tables = checked
    row, audit = fact(tables, check), tables["audit"].row(0, named=True)
    assert (row["machine_id"], row["field_id"]) == (audit["machine_id"], audit["field_id"])
    before = audit["audited_at"] - row["checked_at"]
    assert dt.timedelta(minutes=0) < before < dt.timedelta(minutes=90)
    work = pl.col("machine_id") == audit["machine_id"], pl.col("work_s") > 0, pl.col("share_depth_cm").is_not_null()
    bins = tables["bin"].filter(*work).filter(pl.col("bin_at") <= audit["audited_at"] + dt.timedelta(minutes=1))
    latest = bins.sort("bin_at").tail(30)["share_depth_cm"]
    assert latest.min() <= row["share_depth_cm"] <= latest.max()
    assert row["trace_quality"] == 1.0
    assert row["topsoil_wetness"] is not None
    assert set(catalogue) <= set(row)


def test_a_check_that_links_to_nothing_keeps_its_outcomes(checked):
    _, tables = checked
    row = fact(tables, "nowhere")
    assert (row["machine_id"], row["share_depth_cm"], row["topsoil_wetness"]) == (None, None, None)
    assert row["field_id"] == "no field"
    assert row["shift_date"] is not None
    assert (row["tip_checked_count"], row["tip_broken_count"], row["under_topped_count"]) == (100, 40, 4)
    assert row["tip_loss_pct"] == pytest.approx(30 * 0.03 + 10 * 0.03 * (5 / 3) ** 1.8745, rel=1e-3)


def test_a_stated_loss_in_us_units_becomes_an_audit_fact(checked):
    _, tables = checked
    row = tables["audit_fact"].filter(audit_id="X1").row(0, named=True)
    assert row["root_loss_t_ha"] == pytest.approx(2.2417, rel=1e-4)
    assert row["whole_root_loss_t_ha"] == pytest.approx(0.4 * 2.2417, rel=1e-4)
    assert row["plot_m2"] > 0
    assert row["root_loss_log_var"] > 0


def test_the_audits_of_the_season_have_their_parts_and_pieces(checked):
    workspace, tables = checked
    facts = tables["audit_fact"].filter(pl.col("audit_id") != "X1")
    parts = facts["tip_loss_t_ha"] + facts["whole_root_loss_t_ha"]
    assert (parts - facts["root_loss_t_ha"]).abs().max() < 1e-9
    assert facts["plot_m2"].unique().to_list() == [60.0]
    assert (facts["tip_loss_mass_each_kg"] < facts["whole_root_mass_each_kg"]).all()
    with stages.open_warehouse(workspace) as warehouse:
        ground = warehouse.query("audit_ground")
    assert root_loss(ground)["root_loss_t_ha"].equals(tables["audit_fact"]["root_loss_t_ha"])


def test_counts_of_a_sample_are_found_and_the_finding_ends_with_its_correction(checked, tmp_path):
    workspace = Workspace(Path(shutil.copytree(checked[0].root, tmp_path / "w")))
    audit = checked[1]["audit"].row(0, named=True)
    columns = {"plot_m2": ("Plot", "m2"), "broken_count": ("Broken", None), "broken_mass_kg": ("Mass", "kg")}
    at = audit["audited_at"].strftime("%Y-%m-%d %H:%M")
    dug = {"Machine": audit["machine_id"], "Field": audit["field_id"], "Dug": at, "Plot": 60, "Sample": 100}
    rows = [{"Audit": f"S{k}", **dug, "Broken": 35 + k, "Mass": 9.5} for k in range(4)]
    deliver(workspace, "audits_sample.csv", mapped(**columns).replace("audits*", "audits_s*"), rows)
    (workspace.mappings / "own_audits_1.toml").unlink()
    run_stages(workspace)
    with stages.open_warehouse(workspace) as warehouse:
        found = warehouse.query("source_finding").filter(pl.col("reason_code").str.starts_with("audit_"))
    assert found.select("reason_code", "first_file").rows() == [("audit_counts_below_masses", "audits_sample.csv")]
    del columns["broken_mass_kg"]
    corrected = mapped(**columns, sampled_roots_count=("Sample", None)).replace("audits*", "audits_s*")
    (workspace.mappings / "own_audits_sample.toml").write_text(corrected)
    run_stages(workspace)
    with stages.open_warehouse(workspace) as warehouse:
        assert warehouse.table("audit_finding").height == 0
        assert warehouse.table("audit_fact").filter(audit_id="S0")["tip_loss_t_ha"][0] > 0.3
