"""Alarms after a run: rejected rows, failed reads, silent machines, late tares, failed checks, unpublished pages."""

from collections.abc import Callable
from dataclasses import dataclass

from transforms.config.runtime import Notify
from transforms.contracts.reason import Reason
from transforms.ingest.failed_read import failed_reads
from transforms.ingest.ingest_file import IngestedFile
from transforms.operations.publish import Publication
from transforms.storage.warehouse import Warehouse

FAILED_CHECK = "failed_check"
UNPUBLISHED = "unpublished"


@dataclass(frozen=True)
class Alarm:
    """A notification for the user: a data issue or a failed model check.

    Attributes:
        kind: `rejected_rows`, `failed_read`, `silent_machine`, `stale_tares`, `failed_check` or `unpublished`.
        subject: the kind of file, file, machine, check or folder concerned.
        says: the message, with figures.
    """

    kind: str
    subject: str
    says: str

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
        rows, bad = kinds.get(r.kind or "unknown files", (0, 0))
        kinds[r.kind or "unknown files"] = (rows + r.rows_in, bad + r.rows_rejected)
    return [
        Alarm("rejected_rows", kind, f"{bad:,} of {rows:,} rows of {kind} were rejected ({100 * bad / rows:.1f} %)")
        for kind, (rows, bad) in sorted(kinds.items())
        if rows and 100 * bad / rows > bound_pct
    ]


def alarms(
    warehouse: Warehouse, received: list[IngestedFile], bounds: Notify, format_reason: Callable[[Reason], str]
) -> list[Alarm]:
    """Return the alarms of a run.

    The delay of machines and tares is measured from the newest row of the fleet and the weighbridge, not from today's
    date, so that a finished season raises no alarm.

    Args:
        warehouse: the warehouse after the run.
        received: the files the run ingested.
        bounds: the thresholds of the season file.
        format_reason: returns the sentence of a reason.
    """
    out = _rejected(received, bounds.rejected_pct)
    for row in failed_reads(warehouse).iter_rows(named=True):
        retry = "it will not be read again" if row["in_quarantine"] else "the next run retries it"
        out.append(Alarm("failed_read", row["file"], f"reading {row['file']} failed ({row['reason_code']}); {retry}"))
    for machine, _, hours in warehouse.query("silent_machine", hours=bounds.silent_machine_h).iter_rows():
        out.append(
            Alarm("silent_machine", machine, f"{machine} has logged nothing for {hours:.0f} h, but other machines have")
        )
    for _, _, hours in warehouse.query("stale_tares", hours=bounds.stale_tares_h).iter_rows():
        out.append(Alarm("stale_tares", "tares", f"lab results are {hours:.0f} h behind the newest load"))
    return [*out, *failed_checks(warehouse, format_reason)]


def publish_alarms(published: Publication | None) -> list[Alarm]:
    """Return an alarm if pages could not be published."""
    if published is None or published.fault is None:
        return []
    fault = published.fault
    says = f"pages are not all published in {published.folder}: {fault.what}; {fault.remedy}"
    return [Alarm(UNPUBLISHED, str(published.folder), says)]


def failed_checks(warehouse: Warehouse, format_reason: Callable[[Reason], str]) -> list[Alarm]:
    """Return an alarm for each check of the fitted model that failed.

    Args:
        warehouse: the warehouse, with the checks of the latest fits.
        format_reason: returns the sentence of a reason.
    """
    out = []
    for response, check, *why in warehouse.query("failed_check").iter_rows():
        says = (
            f"the model check {check} of {response} failed ({format_reason(Reason(*why))}); "
            "check the fit before you follow its advice"
        )
        out.append(Alarm(FAILED_CHECK, f"{response} {check}", says))
    return out
