"""Result of a job."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from transforms.ingest.ingest_file import IngestedFile
    from transforms.operations.publish import Publication


@dataclass(frozen=True)
class JobResult:
    """Result of a job.

    Attributes:
        received: the files it received.
        pages: the pages it wrote, or found unchanged, the main page first.
        published: the outcome of publishing them; None if season.toml names no folder.
    """

    received: "list[IngestedFile]" = field(default_factory=list)
    pages: list[Path] = field(default_factory=list)
    published: "Publication | None" = None
