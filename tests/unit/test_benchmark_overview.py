"""Comparison of rows of the benchmark table."""

from dataclasses import replace

import pytest

from tests.benchmarks.overview_rows import BenchmarkRow, slower_rows

ROW = BenchmarkRow("fit", "fit of loads", "numpy", 2.0, 4.0, 2.0, 6.0, 512.0, "2026-12-01", "abc")


@pytest.mark.parametrize(("ours", "peer", "slower"), [(6.5, 2.0, 0), (6.7, 2.0, 1), (9.0, 3.0, 0), (6.0, 1.8, 1)])
def test_a_row_is_slower_by_the_ratio_of_processor_times(ours, peer, slower):
    now = replace(ROW, ours_cpu_s=ours, peer_cpu_s=peer, ours_s=100.0)
    assert len(slower_rows([ROW], [now])) == slower


def test_a_row_without_a_peer_is_compared_by_its_own_time():
    alone = replace(ROW, peer="", peer_s=None, peer_cpu_s=None)
    assert alone.ratio is None
    assert len(slower_rows([alone], [replace(alone, ours_cpu_s=7.0)])) == 1
    assert slower_rows([alone], [replace(alone, ours_cpu_s=5.0)]) == []


def test_a_new_row_is_not_slower_and_a_stored_row_is_the_same_again():
    assert slower_rows([], [ROW]) == []
    assert BenchmarkRow(**ROW.stored()) == ROW
    assert ROW.ratio == 2.0
    assert ROW.load == 3.0
