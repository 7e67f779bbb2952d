"""A connection to the warehouse: settings that keep the output of commands clean."""

import subprocess
import sys

LOOK = """
from transforms.storage.warehouse import Warehouse
with Warehouse.in_memory() as warehouse:
    print(warehouse._con.frame("select current_setting('enable_progress_bar') as shown", {})["shown"].item())
"""


def test_a_slow_query_never_writes_progress_to_the_output_of_a_command():
    # DuckDB takes a program without a file for a notebook, where it shows progress by default.
    done = subprocess.run([sys.executable, "-c", LOOK], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
