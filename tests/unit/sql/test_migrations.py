"""A workspace of any earlier layout is brought up to date: what came from files is kept, the rest is recomputed."""

import datetime as dt
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest

from reports.language.reason_text import reason_text, with_reasons
from tests.support.program import taretrace_here
from tests.support.workspace_tables import every_table
from tests.unit.sql.earlier_layouts import layouts, today
from tests.validation.seasons import Season, ingest
from transforms.arrays import narrow
from transforms.config.workspace import Workspace
from transforms.model.root_loss import break_loss_fraction, root_loss
from transforms.storage.migration import current_name, is_carried
from transforms.storage.sql_files import sql_text
from transforms.storage.warehouse import Warehouse

EVERY = layouts()
EARLIER = range(len(EVERY) - 1)
VALUES = {
    "VARCHAR": "text",
    "DOUBLE[]": [1.5],
    "BIGINT": 7,
    "DOUBLE": 1.5,
    "BOOLEAN": True,
    "DATE": dt.date(2025, 10, 1),
    "TIMESTAMP WITH TIME ZONE": dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC),
}
COLUMNS = "select table_name, column_name, data_type from duckdb_columns() where schema_name = 'main' and not internal"


def columns(con: duckdb.DuckDBPyConnection) -> dict[str, dict[str, str]]:
    out: dict[str, dict[str, str]] = {}
    for table, column, kind in con.execute(f"{COLUMNS} order by all").fetchall():
        out.setdefault(table, {})[column] = kind
    return out


def made_of(layout: dict[str, str], path: Path) -> duckdb.DuckDBPyConnection:
    con = duckdb.connect(str(path))
    con.execute("set timezone = 'UTC'")
    for folder in ("tables/", "views/"):
        for name in sorted(n for n in layout if n.startswith(folder)):
            con.execute(layout[name])
    return con


def test_todays_layout_is_kept_so_that_a_later_taretrace_can_be_tested_on_it():
    assert EVERY[-1] == today(), "run: PYTHONPATH=. python tests/unit/sql/earlier_layouts.py"


@pytest.mark.parametrize(
    "version", [pytest.param(v, marks=() if v % 12 == 0 or v == EARLIER[-1] else pytest.mark.slow) for v in EARLIER]
)
def test_every_row_received_is_carried_over_from_every_earlier_layout(tmp_path, version):
    path = tmp_path / "warehouse.duckdb"
    con = made_of(EVERY[version], path)
    before = {}
    for table, kinds in columns(con).items():
        if f"tables/{table}" not in EVERY[version]:
            continue
        row = {c: VALUES[kind] for c, kind in kinds.items()}
        names, marks = ", ".join(f'"{c}"' for c in row), ", ".join("?" for _ in row)
        con.execute(f'insert into "{table}" ({names}) values ({marks})', [*row.values()])
        before[table] = row
    con.execute("create table load_setting as select 1 as one")
    con.close()
    with Warehouse(path) as warehouse:
        for table, row in before.items():
            rows = warehouse.table(current_name(table))
            if not is_carried(current_name(table)):
                assert not rows.height, table
                continue
            now, *added = rows.to_dicts()
            assert len(added) == (table == "upgrade"), table
            shared = row.keys() & now.keys()
            assert {c: now[c] for c in shared} == {c: row[c] for c in shared}, table
        assert not warehouse.has("load_setting")
        assert warehouse.table("upgrade").height == 1 + ("upgrade" in before)
    again = duckdb.connect(str(path))
    fresh = made_of(EVERY[-1], tmp_path / "fresh.duckdb")
    assert columns(again) == columns(fresh)
    again.close()
    fresh.close()
    with Warehouse(path) as warehouse:
        assert warehouse.table("upgrade").height == 1 + ("upgrade" in before)


@pytest.mark.parametrize("table", ["rejected_row", "source_finding"])
def test_an_earlier_sentence_is_kept_as_an_argument_and_the_statements_may_run_again(tmp_path, table):
    version = max(k for k in EARLIER if " says " in EVERY[k].get(f"tables/{table}", ""))
    con = made_of({f"tables/{table}": EVERY[version][f"tables/{table}"]}, tmp_path / "w.duckdb")
    kinds = columns(con)[table]
    row = {**{c: VALUES[kind] for c, kind in kinds.items()}, "says": "M1's log: it is 'odd'; 2 %"}
    names, marks = ", ".join(f'"{c}"' for c in row), ", ".join("?" for _ in row)
    con.execute(f'insert into "{table}" ({names}) values ({marks})', [*row.values()])
    for _ in range(2):
        con.execute(sql_text("migrations", table))
        now = con.sql(f'from "{table}"').pl().row(0, named=True)
        assert "says" not in now
        assert reason_text(now["reason_code"], now["reason_args"]) == row["says"]
    con.close()


def insert(con: duckdb.DuckDBPyConnection, table: str, row: dict[str, object]) -> None:
    names, marks = ", ".join(f'"{c}"' for c in row), ", ".join("?" for _ in row)
    con.execute(f'insert into "{table}" ({names}) values ({marks})', [*row.values()])


WEIGHED = [k for k in EARLIER if "gross_t double" in EVERY[k]["tables/received_load"]]


@pytest.mark.parametrize("version", [WEIGHED[0], WEIGHED[-1]])
def test_gross_and_net_weights_become_delivered_and_clean_ones(tmp_path, version):
    path = tmp_path / "warehouse.duckdb"
    con = made_of(EVERY[version], path)
    kinds = columns(con)
    for table, own in (("received_load", {"gross_t": 27.0, "net_t": 24.0}), ("source_file", {})):
        row = {c: False if kind == "BOOLEAN" else VALUES[kind] for c, kind in kinds[table].items()}
        insert(con, table, row | own)
    con.close()
    with Warehouse(path) as warehouse:
        loads = warehouse.table("load").select("truck_full_t", "truck_empty_t", "delivered_t", "clean_t").rows()
        assert loads == [(None, None, 27.0, 24.0)]
        assert not {"gross_t", "net_t"} & set(warehouse.table("received_load").columns)


def test_rejected_tickets_name_the_weights_as_they_are_called_now(tmp_path):
    con = made_of({"tables/rejected_row": EVERY[WEIGHED[-1]]["tables/rejected_row"]}, tmp_path / "w.duckdb")
    row = {c: VALUES[kind] for c, kind in columns(con)["rejected_row"].items()}
    also = '{"also": [{"args": {"bound": 0, "column": "net_t"}, "code": "c"}], "bound": 0, "column": "gross_t"}'
    insert(
        con,
        "rejected_row",
        row | {"column": "gross_t", "rule": "gross_t|min_exclusive", "reason_args": also, "line": 1},
    )
    insert(con, "rejected_row", row | {"rule": "net_above_gross", "reason_code": "net_above_gross", "line": 2})
    insert(con, "rejected_row", row | {"column": "net_t", "rule": "net_t_needed", "line": 3})
    insert(con, "rejected_row", row | {"line": 4, "raw": "gross_t"})
    for _ in range(2):
        con.execute(sql_text("migrations", "rejected_row"))
        rows = con.sql(
            'select "column", rule, reason_code, reason_args, raw from rejected_row order by line'
        ).fetchall()
        assert rows[0][:2] == ("delivered_t", "delivered_t|min_exclusive")
        assert rows[0][3] == also.replace("net_t", "clean_t").replace("gross_t", "delivered_t")
        assert rows[1][1:3] == ("clean_above_delivered", "clean_above_delivered")
        assert rows[2][:2] == ("clean_t", "clean_t_needed")
        assert rows[3][4] == "gross_t"
    con.close()


def test_rows_of_when_one_mapping_read_a_file_are_of_that_mapping(tmp_path):
    version = max(k for k in EARLIER if "matched_fingerprint" not in EVERY[k]["tables/source_file"])
    path = tmp_path / "warehouse.duckdb"
    con = made_of(EVERY[version], path)
    kinds = columns(con)
    sources = [("a", "load", "tickets", "p"), ("b", None, None, None)]
    for sha, kind, mapping, fingerprint in sources:
        source = {c: VALUES[k] for c, k in kinds["source_file"].items()}
        source |= {"source_sha256": sha, "kind": kind, "mapping": mapping, "mapping_fingerprint": fingerprint}
        rejected = {c: VALUES[k] for c, k in kinds["rejected_row"].items()} | {"source_sha256": sha}
        for table, row in (("source_file", source), ("rejected_row", rejected)):
            names, marks = ", ".join(f'"{c}"' for c in row), ", ".join("?" for _ in row)
            con.execute(f'insert into "{table}" ({names}) values ({marks})', [*row.values()])
    con.close()
    with Warehouse(path) as warehouse:
        files, rows = warehouse.table("source_file"), warehouse.table("rejected_row")
    assert files.sort("source_sha256").select("mapping", "matched_fingerprint").rows() == [
        ("tickets", "p"),
        (None, None),
    ]
    assert rows.sort("source_sha256")["mapping"].to_list() == ["tickets", None]


def test_audits_of_an_earlier_layout_have_the_same_loss_after_the_upgrade(tmp_path):
    """The last layout whose audits all had an area, counts in every class and a mean root."""
    version = max(k for k in EARLIER if "plot_m2 double not null" in EVERY[k]["tables/received_loss_audit"])
    path = tmp_path / "warehouse.duckdb"
    con = made_of(EVERY[version], path)
    counts = {f"broken_{c}_cm_count": 100.0 for c in ("2_4", "4_6", "6_8", "over_8")}
    audit = {
        "source_sha256": "a",
        "line": 1,
        "audit_id": "A1",
        "machine_id": "M1",
        "field_id": "F1",
        "audited_at": VALUES["TIMESTAMP WITH TIME ZONE"],
        "plot_m2": 100.0,
        **counts,
        "whole_roots_count": 10.0,
        "root_mass_kg": 0.8,
    }
    source = {c: VALUES[kind] for c, kind in columns(con)["source_file"].items()} | {"source_sha256": "a"}
    for table, row in (("received_loss_audit", audit), ("source_file", source)):
        names, marks = ", ".join(f'"{c}"' for c in row), ", ".join("?" for _ in row)
        con.execute(f'insert into "{table}" ({names}) values ({marks})', [*row.values()])
    con.close()
    with Warehouse(path) as warehouse:
        assert warehouse.table("loss_audit").height == 1
        row = root_loss(warehouse.query("audit_ground")).row(0, named=True)
    tips = 100 * 0.8 * sum(break_loss_fraction(d) for d in (3, 5, 7, 9))
    assert row["root_loss_t_ha"] == pytest.approx((tips + 10 * 0.6 * 0.8) / 10)
    assert row["tip_loss_t_ha"] == pytest.approx(tips / 10)


def step_back(workspace: Workspace, layout: dict[str, str]) -> None:
    """Make a workspace's warehouse one of an earlier layout: what it did not know is gone."""
    now = duckdb.connect(str(workspace.warehouse), read_only=True)
    kept = {t: now.sql(f'from "{t}"').pl() for t in columns(now) if is_carried(t) and f"tables/{t}" in layout}
    now.close()
    # Files of a kind it did not know it would have rejected for want of a mapping; here they are not there yet.
    known_kinds = [t.removeprefix("received_") for t in kept if t.startswith("received_")] + ["telemetry"]
    kept["source_file"] = kept["source_file"].filter(pl.col("kind").is_in(known_kinds))
    shas = kept["source_file"]["source_sha256"].to_list()
    of_files = {
        t: r.filter(pl.col("source_sha256").is_in(shas)) for t, r in kept.items() if "source_sha256" in r.columns
    }
    kept |= of_files
    workspace.warehouse.unlink()
    con = made_of(layout, workspace.warehouse)
    for table, rows in kept.items():
        known = columns(con)[table]
        arrived = pl.lit(dt.datetime(2026, 1, 1, tzinfo=dt.UTC)).cast(pl.Datetime("us", "UTC"))
        rows = rows.with_columns(arrived.alias("received_at")) if "received_at" in known else rows  # noqa: PLW2901
        if "says" in known and "reason_code" in rows.columns:
            rows = with_reasons(rows).rename({"reason": "says"})  # noqa: PLW2901
        names = ", ".join(f'"{c}"' for c in rows.columns if c in known)
        con.register("incoming", rows)
        con.execute(f'insert into "{table}" ({names}) select {names} from incoming')
    con.close()


def with_sentences(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Tables with the sentences of rejected rows, which are the same whether they are stored as codes or as texts."""
    rejected = with_reasons(tables["rejected_row"]).drop("reason_code", "reason_args")
    return {**tables, "rejected_row": rejected.sort(rejected.columns)}


@pytest.mark.slow
@pytest.mark.parametrize("version", [0, 3, 8, 15])
def test_the_next_run_after_an_upgrade_ends_with_the_tables_of_a_fresh_workspace(season: Season, tmp_path, version):
    fresh, old = (Workspace(Path(shutil.copytree(season.workspace.root, tmp_path / name))) for name in ("fresh", "old"))
    step_back(old, EVERY[version])
    reported = taretrace_here("status", old.root)
    assert reported.code == 2
    assert "created by another version of taretrace" in reported.err
    for workspace in (fresh, old):
        ingest(workspace)
    whole, carried = (with_sentences(every_table(workspace)) for workspace in (fresh, old))
    made_by_ingest = {"load_fact", "audit_fact", "load_trace", "bin", "tare", "load", "rejected_row", "field_hour"}
    for name in made_by_ingest:
        assert whole[name].equals(carried[name]), name


@pytest.mark.slow
def test_telemetry_that_was_named_otherwise_is_read_again(season: Season, tmp_path):
    workspace = Workspace(Path(shutil.copytree(season.workspace.root, tmp_path / "season")))
    before = every_table(workspace)
    for path in narrow(workspace.lake, Path).glob("telemetry/*/*/*.parquet"):
        path.rename(path.with_name("-".join(path.stem.split("-")[:2]) + ".parquet"))
    step_back(workspace, EVERY[8])
    ingest(workspace)
    after = every_table(workspace)
    for name in ("load_fact", "load_trace", "bin"):
        assert before[name].equals(after[name]), name
