"""What a person should be told of: rows rejected, a machine silent, tares that do not come, a check that failed."""

from dataclasses import dataclass

from transforms.config.runtime import Notify
from transforms.ingest.failed_read import failed_reads
from transforms.ingest.ingest_file import IngestedFile
from transforms.storage.warehouse import Warehouse

FAILED_CHECK = "failed_check"


@dataclass(frozen=True)
class Alarm:
    """News that a person should get: an issue with data, or a check of the model that failed.

    Attributes:
        kind: `rejected_rows`, `failed_read`, `silent_machine`, `stale_tares` or `failed_check`.
        subject: a kind of file, a file, a machine, a check.
        says: in words, with figures.
    """

    kind: str
    subject: str
    says: str

    @property
    def is_of_model(self) -> bool:
        """Whether it is about the fitted model, not about data that somebody sends."""
        return self.kind == FAILED_CHECK


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


def alarms(warehouse: Warehouse, received: list[IngestedFile], bounds: Notify) -> list[Alarm]:
    """Return what a person should be told of after a run.

    Machines and tares are late by the fleet's and the weighbridge's own newest rows, not by today's date: a season that
    has ended raises no alarm.
    """
    out = _rejected(received, bounds.rejected_pct)
    for row in failed_reads(warehouse).iter_rows(named=True):
        again = "it is not read again" if row["in_quarantine"] else "the next run tries once more"
        out.append(Alarm("failed_read", row["file"], f"reading {row['file']} failed ({row['reason_code']}); {again}"))
    for machine, _, hours in warehouse.query("silent_machine", hours=bounds.silent_machine_h).iter_rows():
        out.append(Alarm("silent_machine", machine, f"{machine} has logged nothing for {hours:.0f} h; others have"))
    for _, _, hours in warehouse.query("stale_tares", hours=bounds.stale_tares_h).iter_rows():
        out.append(
            Alarm("stale_tares", "tares", f"the newest tare is of a load {hours:.0f} h older than the newest load")
        )
    return [*out, *failed_checks(warehouse)]


def failed_checks(warehouse: Warehouse) -> list[Alarm]:
    """Return the checks of the fitted model that failed."""
    return [
        Alarm(
            FAILED_CHECK,
            f"{response} {check}",
            f"the model check {check} of {response} failed ({says}); look at the fit before acting on its advice",
        )
        for response, check, says in warehouse.query("failed_check").iter_rows()
    ]
