"""A season of 1, 10 and 100 million records: seconds of each stage, peak memory, disk; what one more shift costs.

    PYTHONPATH=. .venv/bin/python tests/benchmarks/scale.py 1 10 100    millions of records
    PYTHONPATH=. .venv/bin/python tests/benchmarks/scale.py --shifts    one more shift, early and late in a season
    PYTHONPATH=. .venv/bin/python tests/benchmarks/scale.py --fleet     the same for a large fleet, with peak memory
    PYTHONPATH=. .venv/bin/python tests/benchmarks/scale.py --workers   ten million records on one worker and on two

All four write the figures of RESULTS.md; other sizes than 1 10 100 are only printed.
Each size is a process of its own on files streamed to disk by `fleet_season.py`; the others as well.
"""

import contextlib
import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Literal

import psutil

sys.path[:0] = [str(Path(__file__).parents[2])]

from tests.benchmarks.scale_tables import STAGES, shift_lines, size_table, slope_sentences, worker_table
from tests.support.results_page import BENCHMARKS, write_figures

SIZES = {1: (6, 5), 10: (12, 25), 100: (48, 60)}
"""Millions of records -> machines, days."""
DAYS = 60
"""Days of the seasons that are run shift by shift."""
SMALL_FLEET, LARGE_FLEET = (6, (10, 20, 40, 59)), (42, (10, 59))
"""Machines, and the last of the shifts whose runs are timed; a shift of the large fleet has two million records."""
ROUNDS = 3
"""Number of consecutive shifts at each size, and number of runs on one worker and on two, in turns."""
JUDGED = {"check_fits": "refits", "compare_subjects": "recompute"}
"""Stages that judge model and fleet, and what says that they fit again: after a shift that is left to the night."""
NIGHT_FITS: dict[str, Literal["ignore", "use"]] = {"whole": "ignore", "post-shift": "use"}
"""Run -> its use of the night's variances; the runs of the night store them."""
FIRST_FITTED = STAGES.index("fit_responses")
"""Stages before this one lead from files to facts."""
FROM_FACTS = {"refit": STAGES[FIRST_FITTED:], "night": ("fit_responses",)}
"""Runs of the night -> their stages."""


def processor_seconds() -> float:
    """Return the processor time of this process and its helpers so far, ended and alive."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    alive = [helper.cpu_times() for helper in psutil.Process().children(recursive=True)]
    return time.process_time() + ended.ru_utime + ended.ru_stime + sum(of.user + of.system for of in alive)


def run_stages(folder: Path, run: str) -> dict[str, float]:
    """Run every stage of a run in this process; return the seconds of each and the peak memory in MB.

    Each stage also has its processor time, under its name and `_cpu`.

    `run` is whole, post-shift (as scheduled, fitted by day), night (its fit alone, which the next shifts start from) or
    refit (that of the night: from facts on, nothing kept believed).
    """
    from flows import stages  # noqa: PLC0415
    from flows.runtime.progress import Reporter  # noqa: PLC0415
    from flows.stages import pages  # noqa: PLC0415
    from transforms.config.workspace import Workspace  # noqa: PLC0415
    from transforms.parallel import ProcessExecutor  # noqa: PLC0415

    workspace, quiet = Workspace(folder), Reporter(quiet=True)
    out: dict[str, float] = {}
    fits = stages.Fits({})
    spread = ProcessExecutor()
    if workspace.warehouse.exists():
        spread.warm()
    if run in FROM_FACTS:
        stages.clear_product_cache(workspace)
    for name in FROM_FACTS.get(run, STAGES):
        started, used = time.perf_counter(), processor_seconds()
        if name == "fit_responses":
            fits = stages.fit_responses(workspace, quiet, spread, night_fits=NIGHT_FITS.get(run, "store"))
        elif name in {"receive_files", "bin_telemetry", "trace_loads"}:
            getattr(stages, name)(workspace, quiet, spread)
        elif name == "publish_shift_page":
            pages.publish_shift_page(workspace, quiet)
        elif name == "advise_machines":
            stages.advise_machines(workspace, fits, quiet)
        elif name in {"check_fits", "compare_subjects", "compute_guide"}:
            again = {JUDGED[name]: run != "post-shift"} if name in JUDGED else {}
            getattr(stages, name)(workspace, fits, quiet, spread, **again)
        else:
            getattr(stages, name)(workspace, quiet)
        out[name] = round(time.perf_counter() - started, 2)
        out[name + "_cpu"] = round(processor_seconds() - used, 2)
    spread.__exit__(None, None, None)
    out["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    out["peak_mb_of_a_helper"] = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return out


def apart(*words: str) -> dict[str, float]:
    """Call this file again in a process of its own."""
    reported = subprocess.run([sys.executable, __file__, *words], capture_output=True, text=True, check=False)
    if reported.returncode:
        raise RuntimeError(reported.stderr[-2000:])
    out: dict[str, float] = json.loads(reported.stdout.splitlines()[-1])
    return out


def size_mb(folder: Path) -> float:
    paths = folder.rglob("*") if folder.is_dir() else [folder]
    return sum(p.stat().st_size for p in paths if p.is_file()) / 1e6


def season_of(folder: Path, machines: int, days: int) -> dict[str, float]:
    """Stream a season's files to disk."""
    from tests.benchmarks.fleet_season import Fleet, start_season, stream  # noqa: PLC0415

    fleet = Fleet(folder)
    workspace = start_season(folder / "season", fleet)
    started = time.perf_counter()
    records = stream(fleet, workspace.inbox, machines, days)
    return {
        "records": records,
        "write_s": round(time.perf_counter() - started, 1),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def scale(millions: list[int]) -> None:
    """Write a row per size and, of all three sizes, seconds per additional million records."""
    runs: list[dict[str, float]] = []
    for size in millions:
        machines, days = SIZES[size]
        with tempfile.TemporaryDirectory(dir="/var/tmp") as made:
            folder = Path(made)
            wrote = apart("--write", str(folder), str(machines), str(days))
            took = apart("--stages", str(folder / "season"), "whole")
            season = folder / "season"
            disk = {f"{n}_mb": size_mb(season / n) for n in ("inbox", "lake", "warehouse.duckdb")}
            runs.append({"machines": machines, "days": days, "records": wrote["records"], **took, **disk})
            print(json.dumps({"written": wrote, **runs[-1]}), flush=True)
    lines, full = size_table(runs), millions == list(SIZES)
    if full:
        lines += ["", *slope_sentences(runs)]
    write_figures(BENCHMARKS, "season at scale", lines, only_print=not full)


def shifts(machines: int, looked_at: tuple[int, ...]) -> list[str]:
    """Run a season shift by shift, as files come; return the table of the cost of a shift early and late in it."""
    runs: dict[int, dict[str, float]] = {}
    with tempfile.TemporaryDirectory(dir="/var/tmp") as made:
        folder = Path(made)
        apart("--write", str(folder), str(machines), str(DAYS))
        season = folder / "season"
        every = sorted(season.joinpath("inbox").iterdir())
        later = folder / "later"
        later.mkdir()
        dates = sorted({date_of(p) for p in every if p.name.startswith("log_")})
        for path in every:
            path.rename(later / path.name)
        for k in looked_at:
            took: list[dict[str, float]] = []
            for date in dates[k - ROUNDS - 1 : k]:
                for path in sorted(later.iterdir()):
                    if date_of(path) <= date:
                        path.rename(season / "inbox" / path.name)
                took.append(apart("--stages", str(season), "post-shift" if took else "whole"))
                apart("--stages", str(season), "night")
            night = apart("--stages", str(season), "refit")
            # The first took in all shifts since the last that was looked at.
            one = {name: round(statistics.median(of[name] for of in took[1:]), 2) for name in took[0]}
            facts = statistics.median(sum(of[s] for s in STAGES[:FIRST_FITTED]) for of in took[1:])
            whole = statistics.median(sum(of[s] for s in STAGES) for of in took[1:])
            refit = sum(night.get(s, 0.0) for s in STAGES)
            runs[k] = {**one, "facts_s": facts, "whole_s": whole, "refit_s": refit}
            print(json.dumps({"shift": k, **runs[k]}), flush=True)
    return shift_lines(runs, ROUNDS)


def date_of(path: Path) -> str:
    """Return the day a file comes: a log in its period's order of days, a list with the first day of its period."""
    words = path.stem.split("_")
    return "_".join(words[2:]) if words[0] == "log" else words[-1]


def workers() -> None:
    """Write the seconds of what is distributed, on one worker and on two, and the medians' ratios."""
    from tests.support.servers import cluster, prefect_server  # noqa: PLC0415

    machines, days = SIZES[10]
    with tempfile.TemporaryDirectory(dir="/var/tmp") as made, contextlib.ExitStack() as stack:
        folder = Path(made)
        apart("--write", str(folder), str(machines), str(days))
        api = stack.enter_context(prefect_server(folder / "home"))
        took: dict[int, list[dict[str, float]]] = {1: [], 2: []}
        for count in (1, 2) * ROUNDS:
            with cluster(count, {"PREFECT_API_URL": api, "PREFECT_HOME": str(folder / "home")}, folder) as there:
                season = Path(shutil.copytree(folder / "season", folder / f"season{count}"))
                toml = season / "season.toml"
                run = f'[run]\nengine = "dask"\naddress = "{there.address}"'
                toml.write_text(toml.read_text().replace("[run]", run))
                os.environ["PREFECT_API_URL"], os.environ["PREFECT_HOME"] = api, str(folder / "home")
                stages = apart("--flow", str(season))
                took[count].append({**stages, "whole": sum(stages.values())})
                print(json.dumps({"workers": count, **took[count][-1]}), flush=True)
                shutil.rmtree(season)
    measured = f"Medians of {ROUNDS} runs each, alternating; seconds"
    write_figures(BENCHMARKS, "Dask cluster", worker_table(took), measured)


def run_flow(folder: Path) -> dict[str, float]:
    """Run what is spread as the flow does; seconds by stage, from the log of the run."""
    from prefect import flow  # noqa: PLC0415

    from flows.pipeline.jobs import build_facts  # noqa: PLC0415
    from flows.pipeline.run_context import RunContext, running  # noqa: PLC0415
    from flows.runtime.dask import place_executor  # noqa: PLC0415
    from flows.runtime.prefect_env import settle_prefect  # noqa: PLC0415
    from flows.runtime.progress import Reporter  # noqa: PLC0415
    from transforms.config.workspace import Workspace  # noqa: PLC0415
    from transforms.parallel import serial  # noqa: PLC0415

    settle_prefect(folder)
    took: dict[str, float] = {}
    reporter = Reporter(quiet=True)
    reporter.log = lambda stage, seconds: took.__setitem__(stage.split(" ")[0] + " " + stage.split(" ")[-1], seconds)
    workspace = Workspace(folder)

    @flow
    def read() -> None:
        with (
            place_executor(workspace.season.place, serial) as executor,
            running(RunContext(workspace, reporter, executor)),
        ):
            build_facts()

    read()
    return took


def main() -> None:
    words, measured = sys.argv[1:], f"Medians of {ROUNDS} shifts in succession, seconds"
    if words[0] == "--write":
        print(json.dumps(season_of(Path(words[1]), int(words[2]), int(words[3]))))
    elif words[0] == "--stages":
        print(json.dumps(run_stages(Path(words[1]), words[2])))
    elif words[0] == "--flow":
        print(json.dumps(run_flow(Path(words[1]))))
    elif words[0] == "--shifts":
        write_figures(BENCHMARKS, "one more shift", shifts(*SMALL_FLEET), measured)
    elif words[0] == "--fleet":
        write_figures(BENCHMARKS, "one more shift of a large fleet", shifts(*LARGE_FLEET), measured)
    elif words[0] == "--workers":
        workers()
    else:
        scale([int(w) for w in words])


if __name__ == "__main__":
    main()
