"""Lake files as recorded in the warehouse."""

from dataclasses import dataclass

KINDS = ("telemetry", "bin", "rolled")
"""Folders of the lake whose files the warehouse records."""


@dataclass(frozen=True)
class LakeFile:
    """A recorded file of the lake.

    Attributes:
        path: its path relative to the lake root.
        kind: `telemetry`, `bin` or `rolled`.
        source_sha256: the source file of telemetry; None for other kinds.
        machine: the machine's folder name.
        day: the UTC day.
        size_bytes: its size.
        sha256: the checksum of its content.
    """

    path: str
    kind: str
    source_sha256: str | None
    machine: str
    day: str
    size_bytes: int
    sha256: str

    @property
    def stem(self) -> str:
        """Return the file name without its suffix."""
        return self.path.rsplit("/", 1)[-1].removesuffix(".parquet")

    @property
    def key(self) -> tuple[str, str]:
        """Return the machine-day (machine folder, day)."""
        return self.machine, self.day


@dataclass(frozen=True)
class Written:
    """Size and SHA-256 of a file at the time of writing."""

    size_bytes: int
    sha256: str
