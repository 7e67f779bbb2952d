"""Files of the lake as the warehouse records them."""

from dataclasses import dataclass

KINDS = ("telemetry", "bin", "rolled")
"""Folders of the lake whose files the warehouse records."""


@dataclass(frozen=True)
class LakeFile:
    """A recorded file of the lake.

    Attributes:
        path: its path inside the lake.
        kind: `telemetry`, `bin` or `rolled`.
        source_sha256: the source of telemetry; None for other kinds.
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
        """The file's name without its suffix."""
        return self.path.rsplit("/", 1)[-1].removesuffix(".parquet")

    @property
    def key(self) -> tuple[str, str]:
        """The machine-day."""
        return self.machine, self.day


@dataclass(frozen=True)
class Written:
    """Size and sha-256 of a file as it was written."""

    size_bytes: int
    sha256: str
