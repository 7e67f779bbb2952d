"""Record of finished stages, so that a run skips each stage whose inputs and results have not changed.

The fingerprint of a stage covers everything that it could have read and everything it wrote: the program, the settings
of the season, the mappings, and all tables except those of later stages. It lists results, not inputs: a forgotten
input cannot hide a change, and a forgotten result only repeats work.
"""

import datetime as dt
import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

import polars as pl

from transforms.config.toml_file import read_toml
from transforms.config.workspace import Season, Workspace
from transforms.storage.warehouse import Warehouse

BIN, TRACE, CONDITIONS, MARTS = "bin_telemetry", "trace_loads", "conditions", "marts"
UPTAKE, STORABILITY, FIT, CHECK, COMPARE = "uptake", "storability", "fit_responses", "check_fits", "compare_subjects"
MISSING, ADVISE, GUIDE, SHIFT_PAGE, PAGES = "missing_data", "advise_machines", "guide", "shift_page", "pages"
RESULTS: dict[str, tuple[str, ...]] = {
    BIN: ("binned_day", "sensor_activity", "sensor_fault", "set_point_day", "unload_event"),
    TRACE: (
        "audit_finding",
        "audit_loss",
        "audit_setting",
        "clock_offset",
        "field_day",
        "lag_sample",
        "load_setting",
        "load_trace",
        "load_trace_grade",
        "mass_balance",
        "root_check_outcome",
        "root_check_setting",
        "traced_field",
        "trace_replicate",
        "truck_keeping",
        "truck_stop",
        "truck_stop_day",
    ),
    CONDITIONS: ("field_hour", "weather_filled"),
    MARTS: (
        "audit_fact",
        "field_root_mass",
        "load_class",
        "load_fact",
        "machine_day",
        "root_check_fact",
        "set_point_offset",
    ),
    UPTAKE: ("advice_calibration", "advice_uptake", "advice_verdict", "realised_saving", "realised_shift"),
    STORABILITY: ("pile_ledger", "season_cost", "storability"),
    FIT: (
        "confounding",
        "curve",
        "effect",
        "expected_load",
        "fit_posterior",
        "fit_run",
        "interaction_gain",
        "last_season",
        "load_why",
        "part_effect",
        "setting_pair",
        "setting_reliability",
        "variance_share",
    ),
    CHECK: ("fit_check",),
    COMPARE: ("benchmark", "season_change"),
    MISSING: ("missing_data",),
    ADVISE: ("advice", "advice_issued", "next_condition", "part_advice", "variation_option"),
    GUIDE: ("guide", "guide_class", "guide_curve", "guide_worth", "product_basis", "trial_wanted"),
    SHIFT_PAGE: ("setting_decision", "shift_course", "shift_pass"),
    PAGES: (),
}
"""Stage -> tables that it writes and that no earlier stage writes, in the order of a run."""
REFITS, KEPT = "refits", "kept"
"""Variants of the fit, the checks and the comparison: all computed, or partly kept from the last refit."""
NO_INPUT = ("inbox_file", "stage_run", "upgrade")
"""Tables that no result depends on."""
PROGRAM = (("transforms", ""), ("reports", ""), ("sql", ""), ("flows", "stages"))
IN_SEASON = ("notify", "publish")
"""Tables of season.toml that no result depends on."""


@dataclass(frozen=True)
class Current:
    """A stage that need not run.

    Attributes:
        files: the files it wrote.
    """

    files: tuple[Path, ...]


def page_variant(*, pdf: bool, xlsx: bool) -> str:
    """Return the variant of a page stage for its formats besides HTML."""
    return " ".join(name for name, is_on in (("pdf", pdf), ("xlsx", xlsx)) if is_on)


def attaches_pdf(season: Season) -> bool:
    """Return True if messages attach the shift page as PDF, so that the run must write one."""
    return bool(season.notify.to) and season.notify.attach == "pdf"


def post_shift_stages(season: Season, *, refits: bool) -> list[tuple[str, str]]:
    """Return (stage, variant) of a post-shift run after reading.

    Args:
        season: the season.
        refits: the run recomputes the checks that refit the model, and the fleet comparison.
    """
    mode = REFITS if refits else KEPT
    variants = dict.fromkeys((FIT, CHECK, COMPARE, MISSING), mode)
    variants[SHIFT_PAGE] = page_variant(pdf=attaches_pdf(season), xlsx=False)
    return [(stage, variants.get(stage, "")) for stage in RESULTS if stage != PAGES]


def _sha(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()


def _sources(folder: Traversable) -> Iterable[bytes]:
    """Yield the files of a package in a fixed order."""
    for path in sorted(folder.iterdir(), key=lambda p: p.name):
        if path.is_dir() and path.name != "__pycache__":
            yield from _sources(path)
        elif path.is_file() and not path.name.endswith((".pyc", ".md", ".png")):
            yield path.name.encode()
            yield path.read_bytes()


def program_hash() -> str:
    """Return a hash of the code, queries and texts that determine the results."""
    digest = hashlib.sha256()
    for package, folder in PROGRAM:
        root = files(package)
        for part in _sources(root.joinpath(folder) if folder else root):
            digest.update(part)
    return digest.hexdigest()


def settings_hash(workspace: Workspace) -> str:
    """Return a hash of season.toml, the mappings, own translations, and the results of last season."""
    table = {k: v for k, v in read_toml(workspace.root / "season.toml").items() if k not in IN_SEASON}
    parts = [json.dumps(table, sort_keys=True, default=str)]
    for folder in (workspace.mappings, workspace.root / "text"):
        parts += [f"{p.name} {_sha(p.read_bytes())}" for p in sorted(folder.glob("*")) if p.is_file()]
    last = workspace.season.last_season
    if last is not None and Workspace(last).warehouse.exists():
        stat = Workspace(last).warehouse.stat()
        parts.append(f"{stat.st_size} {stat.st_mtime_ns}")
    return _sha("\n".join(parts).encode())


class StageRecord:
    """The fingerprints of a workspace's stages.

    Args:
        workspace: the workspace.
    """

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self._content: dict[str, str] = {}

    @cached_property
    def _base(self) -> str:
        return program_hash() + settings_hash(self.workspace)

    def forget_content(self) -> None:
        """Read every table again, because a stage has written some."""
        self._content.clear()

    def _tables(self, warehouse: Warehouse) -> list[str]:
        return sorted(warehouse.query("own_relation").filter(kind="table")["name"].to_list())

    def _content_of(self, warehouse: Warehouse, name: str) -> str:
        if name not in self._content:
            rows, content = warehouse.query("table_content", source=name).row(0)
            self._content[name] = f"{name} {rows} {content}"
        return self._content[name]

    def _fingerprint(self, warehouse: Warehouse, stage: str) -> str:
        stages = [*RESULTS]
        later = {table for s in stages[stages.index(stage) + 1 :] for table in RESULTS[s]}
        read = [name for name in self._tables(warehouse) if name not in later and name not in NO_INPUT]
        parts = [self._base, *(self._content_of(warehouse, name) for name in read)]
        if stage == UPTAKE:
            parts.append(_advice_in_force(warehouse))
        return _sha("\n".join(parts).encode())

    def current(self, warehouse: Warehouse, stage: str, variant: str = "") -> Current | None:
        """Return a stage whose inputs and results are unchanged since it last ran; None if it must run.

        Args:
            warehouse: the warehouse of the workspace.
            stage: the stage, a key of `RESULTS`.
            variant: options of the stage that change its results.
        """
        rows = warehouse.table("stage_run").filter(stage=f"{stage} {variant}".strip())
        if not rows.height or rows["fingerprint"][0] != self._fingerprint(warehouse, stage):
            return None
        written = {self.workspace.root / name: sha for name, sha in json.loads(rows["files"][0]).items()}
        if any(not p.is_file() or _sha(p.read_bytes()) != sha for p, sha in written.items()):
            return None
        return Current(tuple(written))

    def store(self, warehouse: Warehouse, stage: str, variants: tuple[str, ...], written: Iterable[Path] = ()) -> None:
        """Store that a stage has just run.

        Args:
            warehouse: the warehouse of the workspace.
            stage: the stage, a key of `RESULTS`.
            variants: the options that its results also serve.
            written: files that it wrote, inside the workspace.
        """
        root = self.workspace.root
        names = json.dumps({p.relative_to(root).as_posix(): _sha(p.read_bytes()) for p in written})
        keys = [f"{stage} {variant}".strip() for variant in variants]
        row = {
            "fingerprint": self._fingerprint(warehouse, stage),
            "files": names,
            "finished_at": dt.datetime.now(dt.UTC),
        }
        stored = warehouse.table("stage_run")
        rows = pl.DataFrame([{"stage": key, **row} for key in keys], schema=stored.schema)
        with warehouse.transaction():
            warehouse.replace("stage_run", pl.concat([stored.filter(~pl.col("stage").is_in(keys)), rows]))


def _advice_in_force(warehouse: Warehouse) -> str:
    """Return a hash of the advice of shifts with loads; later advice does not change what became of it."""
    if not warehouse.has("load_fact"):
        return ""
    worked = warehouse.table("load_fact").select("shift_date").unique()
    rows = warehouse.query("advice_in_force").join(worked, on="shift_date", how="semi", maintain_order="left")
    return _sha(rows.write_json().encode())
