"""Seconds and peak memory of each stage of the default demo season: medians of three fresh runs.

Run: .venv/bin/python tests/benchmarks/stages.py     writes the figures of RESULTS.md
"""

import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2])]

from tests.support.results_page import BENCHMARKS, markdown_table, write_figures

RUNS = 3
PEAK = "peak memory, MB"


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
    seconds[PEAK] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return seconds


def main() -> None:
    """Run fresh processes and write the medians."""
    if sys.argv[1:] == ["--once"]:
        print(json.dumps(one_run()))
        return
    runs = [
        json.loads(
            subprocess.run([sys.executable, __file__, "--once"], capture_output=True, text=True, check=True).stdout
        )
        for _ in range(RUNS)
    ]
    medians = {name: statistics.median(r[name] for r in runs) for name in runs[0]}
    peak_mb = medians.pop(PEAK)
    lines = markdown_table(["stage", "seconds"], [[name, f"{s:.1f}"] for name, s in medians.items()])
    lines += ["", f"Peak memory {peak_mb:.0f} MB."]
    write_figures(BENCHMARKS, "stages of the demo season", lines, f"Medians of {RUNS} runs")


if __name__ == "__main__":
    main()
