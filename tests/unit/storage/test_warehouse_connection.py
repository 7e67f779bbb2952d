"""A connection to the warehouse: settings that keep the output of commands clean."""

import __main__

from transforms.storage.warehouse import Warehouse


def test_a_slow_query_never_writes_progress_to_the_output_of_a_command(monkeypatch, capfd):
    monkeypatch.delattr(__main__, "__file__", raising=False)  # DuckDB takes such a program for a notebook
    with Warehouse.in_memory() as warehouse:
        shown = warehouse._con.frame("select current_setting('enable_progress_bar') as shown", {})
        assert not shown["shown"].item()
        warehouse._con.frame("select sum(sqrt(i * 1.0) * sin(i)) as total from range(3000000) as r(i)", {})
    assert capfd.readouterr().out == ""
