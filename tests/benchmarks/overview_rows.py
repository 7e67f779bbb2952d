"""Rows of the benchmark table, and their comparison with earlier rows."""

from dataclasses import asdict, dataclass
from typing import Any

SLOWER = 1.10
"""A row that grew beyond this ratio is reported as slower."""
HEAD = ["work", "bare tool or peer", "its time", "ours", "ratio", "peak memory", "date", "commit"]


@dataclass(frozen=True)
class BenchmarkRow:
    """Figures of one row: medians of alternating runs.

    Attributes:
        name: name of the row on the command line.
        work: description of the work.
        peer: the bare tool; empty if there is none.
        peer_s: its seconds; None without one.
        ours_s: our seconds.
        peer_cpu_s: its processor seconds (user and system, with child processes); None without one.
        ours_cpu_s: our processor seconds.
        peak_mb: our peak memory, that of the largest child process included.
        date: day of the measurement, ISO 8601.
        commit: commit measured.
    """

    name: str
    work: str
    peer: str
    peer_s: float | None
    ours_s: float
    peer_cpu_s: float | None
    ours_cpu_s: float
    peak_mb: float
    date: str
    commit: str

    @property
    def ratio(self) -> float | None:
        """Our time divided by the peer's; None without one."""
        return None if not self.peer_s else self.ours_s / self.peer_s

    @property
    def load(self) -> float:
        """Figure to compare with earlier runs: the ratio of processor times, or our processor time without a peer."""
        return self.ours_cpu_s / self.peer_cpu_s if self.peer_cpu_s else self.ours_cpu_s

    def cells(self) -> list[str]:
        """Return the cells of the table."""
        seconds = f"{self.ours_s:.1f} s ({self.ours_cpu_s:.1f} s of processor time)"
        return [
            self.work,
            self.peer or "–",
            "–" if self.peer_s is None else f"{self.peer_s:.1f} s ({self.peer_cpu_s:.1f} s)",
            seconds,
            "–" if self.ratio is None else f"{self.ratio:.2f} ({self.load:.2f})",
            f"{self.peak_mb / 1024:.2f} GB",
            self.date,
            self.commit,
        ]

    def stored(self) -> dict[str, Any]:
        """Return the row as it is stored, with figures to a thousandth."""
        return {k: round(v, 3) if isinstance(v, float) else v for k, v in asdict(self).items()}


def slower_rows(before: list[BenchmarkRow], now: list[BenchmarkRow]) -> list[str]:
    """Return a sentence for each row that became more than a tenth slower.

    Args:
        before: rows of earlier runs.
        now: rows measured now, compared with the earlier row of the same name.
    """
    known = {r.name: r for r in before}
    out = []
    for row in now:
        earlier = known.get(row.name)
        if earlier is None or row.load <= SLOWER * earlier.load:
            continue
        unit = "times the bare tool" if row.peer else "s of processor time"
        out.append(
            f"{row.name} became {100 * (row.load / earlier.load - 1):.0f} % slower: {earlier.load:.2f} {unit} "
            f"({earlier.date}, {earlier.commit}), now {row.load:.2f}"
        )
    return out
