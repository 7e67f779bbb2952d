"""Findings on audits whose counts cannot be of their plots, in the section on the data received."""

from dataclasses import replace

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.language.reason_text import row_reason
from reports.page.model import Fold
from reports.sections.data_health import health_section
from reports.sections.health_data import HealthData
from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of

SHOWN = DisplayUnits("metric", "EUR", "Europe/Prague")
NOTHING = pl.DataFrame()
COUNTS = {"loads": 9, "measured": 8, "trace_quality": 0.8, "closure": 1.0, "rows_in": 90, "rows_rejected": 3}
EMPTY = HealthData(
    counts=COUNTS,
    arrivals=NOTHING,
    rejections=NOTHING,
    mass_closure=pl.DataFrame(schema={"kind": pl.String}),
    sensors=NOTHING,
    machine_faults=NOTHING,
    clock_offsets=NOTHING,
    audit_findings=pl.DataFrame(schema=schema_of("audit_finding")),
)


def test_findings_on_audits_are_counted_in_the_summary_and_listed_by_file(catalogue):
    found = [
        reason("audit_pieces_exceed_plants", n=4, audit_id="A7", pieces=61.0, plants=40.0),
        reason("audit_loss_exceeds_yield", n=2, audit_id="A9", pct=71.0),
    ]
    rows = [{"source_sha256": "ab", "file": "audits.csv", **f.columns} for f in found]
    data = replace(EMPTY, audit_findings=pl.DataFrame(rows, schema=schema_of("audit_finding")))
    (fold,) = health_section(data, catalogue, SHOWN).blocks
    (table,) = (b for inner in fold.blocks if isinstance(inner, Fold) for b in inner.blocks if b.id == "audit-findings")
    assert {(r.cells[0].text, r.cells[1].text) for r in table.rows} == {
        (r["file"], row_reason(r, catalogue)) for r in rows
    }
    (plain,) = health_section(EMPTY, catalogue, SHOWN).blocks
    assert plain.blocks == fold.blocks[1:]
    assert fold.summary.removeprefix(plain.summary).split()[0] == "2"
