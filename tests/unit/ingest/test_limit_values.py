"""Laboratory values below a limit are read as the limit and reported; other kinds of files reject them."""

import json

import pytest

from tests.support.taking import take
from transforms.ingest.mapping_file import read_mapping

MAPPING = """
kind = "tare"
files = ["lab*.csv"]
separator = ";"
decimal = ","
[columns]
sample_id = { from = "No" }
load_id = { from = "Ticket" }
dirt_tare_pct = { from = "Dirt", unit = "pct" }
top_tare_pct = { from = "Tops", unit = "pct" }
"""


@pytest.mark.parametrize(("cell", "value"), [("<2", 2.0), ("< 0,5", 0.5), ("<= 1,5", 1.5), ("≤2,5", 2.5)])
def test_a_value_below_a_limit_is_the_limit(tmp_path, catalogue, cell, value):
    (tmp_path / "lab.toml").write_text(MAPPING, "utf-8")
    path = tmp_path / "lab1.csv"
    path.write_text(f"No;Ticket;Dirt;Tops\n1;T1;{cell};0,4\n2;T2;6,1;{cell}\n3;T3;>9;0\n", "utf-8")
    out = take(path, read_mapping(tmp_path / "lab.toml", catalogue), catalogue)
    assert out.accepted["dirt_tare_pct"].to_list() == [value, 6.1]
    assert out.accepted["top_tare_pct"].to_list() == [0.4, value]
    assert out.rejected.height == 1
    noted = [(f.code, json.loads(f.args)) for f in out.received.findings]
    assert noted == [("values_below_limit", {"n": 1, "source": source}) for source in ("Dirt", "Tops")]


def test_a_weight_below_a_limit_is_rejected(tmp_path, catalogue):
    text = """
kind = "load"
files = ["t*.csv"]
time_zone = "UTC"
[columns]
load_id = { from = "No" }
field_id = { from = "Field" }
site_id = { value = "north" }
weighed_at = { from = "At", format = "%Y-%m-%d %H:%M" }
delivered_t = { from = "t", unit = "t" }
"""
    (tmp_path / "t.toml").write_text(text, "utf-8")
    (tmp_path / "t1.csv").write_text("No,Field,At,t\n1,F1,2025-10-01 10:00,<20\n", "utf-8")
    out = take(tmp_path / "t1.csv", read_mapping(tmp_path / "t.toml", catalogue), catalogue)
    assert (out.accepted.height, out.rejected.height) == (0, 1)
