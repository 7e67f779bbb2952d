"""Alarms after a run.

Failed joins, rejected rows, failed reads, silent machines, late tares, failed checks, unpublished pages.
"""

from dataclasses import dataclass

from transforms.config.runtime import Notify
from transforms.contracts.reason import Reason, combine_reasons, reason
from transforms.ingest.failed_read import failed_reads
from transforms.ingest.ingest_file import IngestedFile
from transforms.joins.join_finding import JoinFinding
from transforms.operations.publish import Publication
from transforms.storage.warehouse import Warehouse

FAILED_CHECK = "failed_check"
UNPUBLISHED = "unpublished"
FAILED_RUN = "failed_run"
UNKNOWN = "unknown files"
"""Subject of alarms on files of unknown kind."""


@dataclass(frozen=True)
class Alarm:
    """A notification for the user: a data issue or a failed model check.

    Attributes:
        kind: `failed_join`, `rejected_rows`, `failed_read`, `silent_machine`, `stale_tares`, `failed_check`,
            `unpublished` or `failed_run`.
        subject: the kind of file, join, file, machine, check, folder or run concerned.
        why: the message as a reason, with figures.
    """

    kind: str
    subject: str
    why: Reason

    @property
    def is_of_model(self) -> bool:
        """Return True if the alarm concerns the fitted model rather than received data."""
        return self.kind == FAILED_CHECK

    @property
    def is_of_data(self) -> bool:
        """Return True if the alarm concerns received data."""
        return self.kind not in {FAILED_CHECK, UNPUBLISHED}


def _rejected(received: list[IngestedFile], bound_pct: float) -> list[Alarm]:
    kinds: dict[str, tuple[int, int]] = {}
    for r in received:
        rows, bad = kinds.get(r.kind or UNKNOWN, (0, 0))
        kinds[r.kind or UNKNOWN] = (rows + r.rows_in, bad + r.rows_rejected)
    return [
        Alarm("rejected_rows", kind, _rejected_rows(kind, rows, bad))
        for kind, (rows, bad) in sorted(kinds.items())
        if rows and 100 * bad / rows > bound_pct
    ]


def _rejected_rows(kind: str, rows: int, bad: int) -> Reason:
    counts = {"rows": rows, "bad": bad, "pct": 100 * bad / rows}
    if kind == UNKNOWN:
        return reason("rejected_rows_unknown", **counts)
    return reason("rejected_rows", kind=kind, **counts)


def alarms(warehouse: Warehouse, received: list[IngestedFile], bounds: Notify) -> list[Alarm]:
    """Return the alarms of a run.

    The delay of machines and tares is measured from the newest row of the fleet and the weighbridge, not from today's
    date, so that a finished season raises no alarm.

    Args:
        warehouse: the warehouse after the run.
        received: the files the run ingested.
        bounds: the thresholds of the season file.
    """
    out = _rejected(received, bounds.rejected_pct)
    for row in failed_reads(warehouse).iter_rows(named=True):
        cause = {"file": row["file"], "failure": row["reason_code"]}
        why = reason("failed_read_quarantined" if row["in_quarantine"] else "failed_read", **cause)
        out.append(Alarm("failed_read", row["file"], why))
    for machine, _, hours in warehouse.query("silent_machine", hours=bounds.silent_machine_h).iter_rows():
        out.append(Alarm("silent_machine", machine, reason("silent_machine", machine_id=machine, hours=hours)))
    for _, _, hours in warehouse.query("stale_tares", hours=bounds.stale_tares_h).iter_rows():
        out.append(Alarm("stale_tares", "tares", reason("stale_tares", hours=hours)))
    return [*out, *failed_checks(warehouse)]


def join_alarms(found: list[JoinFinding]) -> list[Alarm]:
    """Return an alarm for each finding on joins, with its likely cause and remedy."""
    return [
        Alarm("failed_join", f"{f.says.code} {f.source}".strip(), combine_reasons([f.says, f.cause, f.remedy]))
        for f in found
    ]


def publish_alarms(published: Publication | None) -> list[Alarm]:
    """Return an alarm if pages could not be published."""
    if published is None or published.fault is None:
        return []
    folder, fault = str(published.folder), published.fault
    why = reason("unpublished", folder=folder, what=fault.what, remedy=fault.remedy)
    return [Alarm(UNPUBLISHED, folder, why)]


def failed_checks(warehouse: Warehouse) -> list[Alarm]:
    """Return an alarm for each check of the fitted model that failed.

    Args:
        warehouse: the warehouse, with the checks of the latest fits.
    """
    return [
        Alarm(
            FAILED_CHECK,
            f"{response} {check}",
            reason("failed_check", response=response, check=check, why=Reason(*why)),
        )
        for response, check, *why in warehouse.query("failed_check").iter_rows()
    ]
