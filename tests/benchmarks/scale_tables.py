"""Tables and sentences of RESULTS.md about seasons at scale, from the seconds of stages."""

import statistics
from itertools import pairwise

from tests.support.results_page import markdown_table

FACTS = {
    "read": ("receive_files",),
    "bins": ("bin_telemetry",),
    "trace": ("trace_loads",),
    "conditions, marts": ("compute_conditions", "build_marts", "assess_storability"),
}
"""Column -> stages, from files to facts."""
FITS = ("fit_responses",)
JUDGEMENTS = ("check_fits", "compare_subjects", "advise_machines", "compute_guide", "publish_shift_page")
STAGES = (*(stage for stages in FACTS.values() for stage in stages), *FITS, *JUDGEMENTS)
"""All stages of a run, in order."""
BY_RECORDS = {"reading": "receive_files", "tracing": "trace_loads", "bins": "bin_telemetry"}
"""Stages whose work grows with records alone."""
DISTRIBUTED = {
    "read": "Reading files",
    "bins": "Binning machine-days",
    "samples of lags": "Reading fields",
    "trace": "Tracing fields",
    "total, with the serial part": "whole",
}
"""Column -> first and last word of the label of a stage that is run on workers."""


def add_up(took: dict[str, float], stages: tuple[str, ...]) -> float:
    """Return the seconds of some stages together; a stage that was not run took none."""
    return sum(took.get(stage, 0.0) for stage in stages)


def _seconds(value: float) -> str:
    return f"{value:.1f}" if value < 100 else f"{value:.0f}"


def _gigabytes(mb: float) -> str:
    return f"{mb / 1000:.2f}" if mb < 1000 else f"{mb / 1000:.1f}"


def size_table(runs: list[dict[str, float]]) -> list[str]:
    """Return a row per size: seconds of the stages, processor time in brackets, peak memory and disk."""
    rows = []
    for run in runs:
        groups = (*FACTS.values(), FITS, JUDGEMENTS)
        parts = [add_up(run, stages) for stages in groups]
        used = [add_up(run, tuple(f"{stage}_cpu" for stage in stages)) for stages in groups]
        rows.append(
            [
                f"{run['records'] / 1e6:.3g} million",
                f"{run['machines']:.0f} x {run['days']:.0f}",
                *(f"{_seconds(part)} ({_seconds(cpu)})" for part, cpu in zip(parts, used, strict=True)),
                f"{sum(parts):.0f} ({sum(used):.0f})",
                f"{run['peak_mb'] / 1024:.1f} + {run['peak_mb_of_a_helper'] / 1024:.1f} GB",
                " / ".join(_gigabytes(run[f"{name}_mb"]) for name in ("inbox", "lake", "warehouse.duckdb")) + " GB",
            ]
        )
    head = ["records", "machines x days", *FACTS, "fit and effects", "checks, comparison, advice, guide, page", "total"]
    return markdown_table(
        [*head, "peak memory, with that of one helper process", "files / lake / warehouse"],
        rows,
    )


def slope_sentences(runs: list[dict[str, float]]) -> list[str]:
    """Return seconds per additional million records over three sizes, and what follows for larger seasons."""

    def slopes(*names: str) -> list[float]:
        return [(add_up(b, names) - add_up(a, names)) / (b["records"] - a["records"]) * 1e6 for a, b in pairwise(runs)]

    together = slopes(*BY_RECORDS.values())
    each = {label: slopes(name) for label, name in BY_RECORDS.items()}
    apart = ", ".join(f"{label} {a:.2f} and {b:.2f} ({b / a:.2f})" for label, (a, b) in each.items())
    binned = [run["bin_telemetry"] / run["records"] * 1e6 for run in runs[1:]]
    _, middle, large = runs
    files, lake = (
        (large[k] - middle[k]) / (large["records"] - middle["records"]) * 1e6 for k in ("inbox_mb", "lake_mb")
    )
    hours = together[1] * 1000 / 3600
    return [
        (
            "Slopes, seconds per additional million records, from 1 to 10 million and from 10 to 100: reading, binning"
            f" and tracing together {together[0]:.2f} and {together[1]:.2f} ({together[1] / together[0]:.2f} times);"
            f" {apart}. A million records are binned in {binned[0]:.2f} s in a season of ten million and in"
            f" {binned[1]:.2f} s in one of a hundred million ({binned[1] / binned[0]:.2f} times)."
        ),
        "",
        (
            f"By arithmetic from the slopes of the largest run ({together[1]:.2f} s per million records to read, bin"
            f" and trace; {files:.0f} MB of files and {lake:.0f} MB of lake per million), because machine-days and"
            f" fields are independent: a billion records take {hours:.1f} hours on two such cores, {files:.0f} GB of"
            f" files and {lake:.0f} GB of lake; 15 billion take {15 * hours:.0f} hours on two,"
            f" {15 * hours / 16:.1f} hours on 32, with {files * 0.015:.1f} TB of files and"
            f" {lake * 0.015:.1f} TB of lake."
        ),
    ]


def shift_lines(runs: dict[int, dict[str, float]], rounds: int) -> list[str]:
    """Return a row per last shift of a few in succession, and the last row relative to the first."""
    rows = [
        [
            f"{last - rounds + 1} to {last}",
            *(f"{add_up(run, stages):.1f}" for stages in FACTS.values()),
            f"{run['facts_s']:.1f}",
            f"{add_up(run, FITS):.1f}",
            f"{add_up(run, JUDGEMENTS):.1f}",
            f"{run['whole_s']:.1f}",
            f"{run['refit_s']:.1f}",
            f"{run['peak_mb'] / 1024:.1f} + {run['peak_mb_of_a_helper'] / 1024:.1f} GB",
        ]
        for last, run in runs.items()
    ]
    head = ["shift", *FACTS, "files to facts (sum)", "fit and effects", "cheap checks, advice, guide, page", "total"]
    (early, first), *_, (late, final) = runs.items()
    older = (final["whole_s"] - first["whole_s"]) / (late - early)
    sentence = (
        f"Relative to the first row, a shift of the last row takes {final['facts_s'] / first['facts_s']:.2f} times as"
        f" long from files to facts, the fit {final['fit_responses'] / first['fit_responses']:.1f} times, and a whole"
        f" run {final['whole_s'] / first['whole_s']:.2f} times ({older:.2f} s more for each shift that the season is"
        " older)."
    )
    return [
        *markdown_table([*head, "nightly refit", "peak memory, with that of one helper process"], rows),
        "",
        sentence,
    ]


def worker_table(took: dict[int, list[dict[str, float]]]) -> list[str]:
    """Return the median seconds of the distributed stages by number of workers, and their ratio."""
    medians = {
        count: [statistics.median(run.get(key, 0.0) for run in runs) for key in DISTRIBUTED.values()]
        for count, runs in took.items()
    }
    rows = [[f"{count}", *(f"{seconds:.1f}" for seconds in values)] for count, values in medians.items()]
    ratios = [f"{one / two:.2f}" if two else "" for one, two in zip(*medians.values(), strict=True)]
    return markdown_table(["workers", *DISTRIBUTED], [*rows, ["ratio", *ratios]])
