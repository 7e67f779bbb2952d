"""Received files that can be read again, from the inbox or from their copies, by content hash."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property

from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Workspace
from transforms.ingest.inbox import Inbox, InboxFile
from transforms.ingest.kept_copies import UNPACKED
from transforms.ingest.mapping import Mapping
from transforms.ingest.received_copies import Copy, ReceivedCopies


@dataclass(frozen=True)
class Sources:
    """Files that a repair can read.

    Attributes:
        workspace: the workspace.
        inbox: the files of its inbox.
        mappings: its mappings.
        copies: its copies of received files.
    """

    workspace: Workspace
    inbox: Inbox
    mappings: list[Mapping]
    copies: ReceivedCopies

    @property
    def catalogue(self) -> Catalogue:
        """Return the settings catalogue of the season."""
        return self.workspace.season.catalogue

    @cached_property
    def index(self) -> dict[str, Copy]:
        """Return the copies of received files by content hash."""
        return self.copies.index()

    @cached_property
    def found(self) -> dict[str, list[InboxFile]]:
        """Return the inbox files by content hash."""
        out: dict[str, list[InboxFile]] = {}
        for found in self.inbox.found:
            out.setdefault(found.sha, []).append(found)
        return out

    @cached_property
    def readable(self) -> set[str]:
        """Return the content hashes that are in the inbox or have an undamaged copy."""
        return set(self.found) | {sha for sha, copy in self.index.items() if self.copies.is_whole(copy)}

    @contextmanager
    def opened(self, sha: str) -> Iterator[InboxFile | None]:
        """Yield a file with the given content under the name it was ingested with; None if it cannot be read."""
        copy, founds = self.index.get(sha), self.found.get(sha, [])
        same = [f for f in founds if copy is None or f.file == copy.file]
        if same:
            yield same[0]
        elif copy is not None and self.copies.is_whole(copy):
            with self.copies.unpacked([copy], self.workspace.root / UNPACKED) as unpacked:
                yield next(iter(unpacked), None)
        elif founds:
            yield replace(founds[0], file=copy.file) if copy is not None else founds[0]
        else:
            yield None
