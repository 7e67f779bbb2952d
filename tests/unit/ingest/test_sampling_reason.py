"""Reason of a sample: words of the laboratory become one of two reasons, others are rejected."""

import pytest

from tests.support.taking import take
from transforms.ingest.mapping_file import read_mapping

WORDS = ', words = { lot = "random", muddy = "looks" }'
MAPPING = """
kind = "tare"
files = ["lab*.csv"]
[columns]
sample_id = {{ from = "No" }}
load_id = {{ from = "Ticket" }}
dirt_tare_pct = {{ from = "Dirt", unit = "pct" }}
sampling_reason = {{ from = "Why"{words} }}
"""


@pytest.mark.parametrize(
    ("words", "cells", "code"),
    [(WORDS, ("lot", "muddy"), "unknown_word"), ("", ("random", "looks"), "sampling_reason_unknown")],
)
def test_a_reason_is_read_and_an_unknown_one_is_rejected(tmp_path, catalogue, words, cells, code):
    (tmp_path / "lab.toml").write_text(MAPPING.format(words=words), "utf-8")
    path = tmp_path / "lab1.csv"
    lines = [f"{i},T{i},{4 + i},{why}" for i, why in enumerate((*cells, "", "hunch"), 1)]
    path.write_text("\n".join(["No,Ticket,Dirt,Why", *lines, ""]), "utf-8")
    out = take(path, read_mapping(tmp_path / "lab.toml", catalogue), catalogue)
    assert out.accepted["sampling_reason"].to_list() == ["random", "looks", None]
    assert [c for c, _ in out.reasons] == [code]
