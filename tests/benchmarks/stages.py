"""Seconds and peak memory of each stage of the default demo season: medians of three fresh runs.

Run: .venv/bin/python tests/benchmarks/stages.py
"""

import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RUNS = 3


def one_run() -> dict[str, float]:
    """Time every stage of one fresh demo season in this process."""
    from flows import stages  # noqa: PLC0415
    from flows.pipeline.demo import write_demo  # noqa: PLC0415
    from flows.runtime.progress import Reporter  # noqa: PLC0415
    from flows.stages import pages  # noqa: PLC0415

    quiet, seconds = Reporter(quiet=True), {}
    with tempfile.TemporaryDirectory() as folder:
        clock = time.perf_counter()

        def lap(name: str) -> None:
            nonlocal clock
            seconds[name], clock = time.perf_counter() - clock, time.perf_counter()

        workspace = write_demo(Path(folder) / "season", machines=12, days=30, seed=1, hz=0.1, reporter=quiet)
        lap("invent and write exports")
        for stage in (
            stages.receive_files,
            stages.bin_telemetry,
            stages.trace_loads,
            stages.compute_conditions,
            stages.build_marts,
        ):
            stage(workspace, quiet)
            lap(stage.__name__)
        fits = stages.fit_responses(workspace, quiet)
        lap("fit_responses")
        stages.advise_machines(workspace, fits, quiet)
        lap("advise_machines")
        pages.publish_shift_page(workspace, quiet)
        lap("publish_shift_page")
        stages.receive_files(workspace, quiet)
        stages.bin_telemetry(workspace, quiet)
        lap("receive and bin again, nothing new")
    seconds["peak memory, MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return seconds


def main() -> None:
    """Run fresh processes and print the medians."""
    if sys.argv[1:] == ["--once"]:
        print(json.dumps(one_run()))
        return
    runs = [
        json.loads(
            subprocess.run([sys.executable, __file__, "--once"], capture_output=True, text=True, check=True).stdout
        )
        for _ in range(RUNS)
    ]
    for name in runs[0]:
        print(f"{name:36s} {statistics.median(r[name] for r in runs):8.1f}")


if __name__ == "__main__":
    main()
