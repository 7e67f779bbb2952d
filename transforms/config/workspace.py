"""Workspace paths and season settings.

A workspace is a folder with `season.toml`, `mappings/`, `inbox/`, `lake/`, `warehouse.duckdb` and `out/`.
"""

import datetime as dt
from dataclasses import dataclass, field, fields
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from transforms.config.problems import raise_problems
from transforms.config.runtime import (
    ExecutionConfig,
    Notify,
    Publish,
    Schedule,
    read_notify,
    read_place,
    read_publish,
    read_schedule,
)
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.config.toml_file import read_toml
from transforms.errors import WorkspaceError

if TYPE_CHECKING:
    from transforms.storage.lake import LakePath

STORED_FITS = ".fits"
HOME = ".prefect"
FOLDERS = ("mappings", "inbox", "lake", "out")
SEASON_SCHEMA, MAPPING_SCHEMA = "season.schema.json", "mapping.schema.json"
"""Names of the schemas for editors, beside `season.toml`."""


ASSUMPTION, PRACTICE = "assumption", "common_practice"
"""Origins of defaults and fixed figures without a published source."""


def _price(default: float, unit: str, words: str, origin: str = ASSUMPTION) -> float:
    """Return a dataclass field for a price or assumption; CUR in its unit means the season currency.

    Args:
        default: value unless the workspace sets it.
        unit: its unit.
        words: its name, in English.
        origin: code of the origin of the default.
    """
    return field(default=default, metadata={"unit": unit, "words": words, "origin": origin})


@dataclass(frozen=True)
class Prices:
    """Prices of beet, soil, sugar and machine hours; each is an assumption until the workspace sets it."""

    beet_per_t: float = _price(38.0, "CUR/t", "paid for clean beet at the standard sugar content")
    sugar_standard_pct: float = _price(16.0, "%", "standard sugar content")
    quality_per_point: float = _price(2.4, "CUR/t", "paid for clean beet, per point of sugar above the standard")
    freight_per_t_km: float = _price(0.11, "CUR/(t km)", "freight of soil")
    haul_km: float = _price(25.0, "km", "road distance where a field has no site")
    soil_handling_per_t: float = _price(4.0, "CUR/t", "unloading and washing out soil")
    soil_disposal_per_t: float = _price(6.0, "CUR/t", "taking soil back to land")
    tops_per_t: float = _price(15.0, "CUR/t", "washing out leaf and crown, disposal and lost sugar")
    stalks_tops_pct: float = _price(8.0, "%", "top tare of a root with stalks over 2 cm, if none is measured")
    machine_hour: float = _price(320.0, "CUR/h", "a harvester with its operator")
    sugar_per_t: float = _price(550.0, "CUR/t", "worth of white sugar, for what is lost in the pile")
    storage_days: float = _price(30.0, "days", "days in the pile, on average")
    storage_temp_c: float = _price(6.0, "°C", "temperature in the pile")
    storage_dirt_pct: float = _price(1.0, "%", "more sugar lost per point of dirt tare", PRACTICE)
    storage_tops_pct: float = _price(1.5, "%", "more sugar lost per point of top tare", PRACTICE)
    storage_damage_pct: float = _price(0.6, "%", "more sugar lost per point of roots with damaged skin")
    parts_change: float = _price(150.0, "CUR", "workshop hours for fitting other cleaning parts")


@dataclass(frozen=True)
class AdviceRules:
    """Limits on advice; see `[advice]` in `season.toml`."""

    max_moves: int = 3
    max_steps: int = 2
    probability: float = 0.8
    min_loads: int = 30
    hold_back: float = 0.0


@dataclass(frozen=True)
class Season:
    """Settings of a season, as read from `season.toml`.

    `soil_deduction_per_t` is deducted from a grower's payment per tonne of soil. It is not one of the prices: it moves
    money between factory and grower, and changes no cost.
    """

    name: str
    time_zone: str
    shift_starts: dt.time
    units: str
    currency: str
    lab_cv_at_25_kg: float
    prices: Prices
    advice: AdviceRules
    catalogue: Catalogue
    trial_power: float = 0.8
    may_vary: bool = False
    soil_deduction_per_t: float = 0.0
    sites: dict[str, tuple[float, float]] = field(default_factory=dict)
    last_season: Path | None = None
    locale: str = "en-GB"
    texts: Path | None = None
    assumed: tuple[str, ...] = ()
    place: ExecutionConfig = field(default_factory=ExecutionConfig)
    schedule: Schedule = field(default_factory=lambda: Schedule(()))
    notify: Notify = field(default_factory=Notify)
    publish: Publish = field(default_factory=Publish)


def read_season(path: Path) -> Season:
    """Return the season settings from `season.toml`.

    Raises:
        WorkspaceError: the file is missing, unreadable, or has unknown keys or invalid values; all errors are listed.
    """
    from transforms.config.season import check_season  # noqa: PLC0415 (keeps --help fast)

    where = str(path)
    try:
        table = read_toml(path)
    except FileNotFoundError as problem:
        raise WorkspaceError(
            "there is no season.toml", where=str(path.parent), remedy="run 'taretrace init' on the folder first"
        ) from problem
    raise_problems(check_season(table, path))
    season, prices = table.get("season", {}), dict(table.get("prices", {}))
    deduction = float(prices.pop("soil_deduction_per_t", 0.0))
    previous = table.get("fit", {}).get("last_season")
    starts = dt.time.fromisoformat(season.get("shift_starts", "05:00"))
    return Season(
        name=season.get("name", "Season"),
        time_zone=season.get("time_zone", "UTC"),
        shift_starts=starts,
        units=season.get("units", "metric"),
        currency=season.get("currency", "EUR"),
        lab_cv_at_25_kg=float(table.get("lab", {}).get("cv_at_25_kg", 0.10)),
        prices=Prices(**prices),
        advice=AdviceRules(**table.get("advice", {})),
        catalogue=load_catalogue(table.get("settings"), where, season.get("units", "metric")),
        may_vary=table.get("vary", {}).get("enabled", False),
        trial_power=float(table.get("trial", {}).get("power", 0.8)),
        soil_deduction_per_t=deduction,
        sites={n: (float(s["lat_deg"]), float(s["lon_deg"])) for n, s in table.get("sites", {}).items()},
        last_season=path.parent / previous if previous else None,
        locale=season.get("locale", "en-GB"),
        texts=path.parent / "text",
        assumed=tuple(f.name for f in fields(Prices) if prices.get(f.name, f.default) == f.default),
        place=read_place(table.get("run", {}), f"{where} [run]"),
        schedule=read_schedule(table.get("schedule", {}), starts, f"{where} [schedule]"),
        notify=read_notify(table.get("notify", {}), f"{where} [notify]"),
        publish=read_publish(table.get("publish", {}), path.parent, f"{where} [publish]"),
    )


@dataclass(frozen=True)
class Workspace:
    """Paths of the files and folders in a workspace."""

    root: Path

    @cached_property
    def season(self) -> Season:
        """Settings of the season, read once and cached."""
        return read_season(self.root / "season.toml")

    @property
    def inbox(self) -> Path:
        """Folder that receives new files."""
        return self.root / "inbox"

    @property
    def mappings(self) -> Path:
        """Folder of mapping files."""
        return self.root / "mappings"

    @cached_property
    def lake(self) -> "LakePath":
        """Location of the Parquet lake: a folder, or an address on object storage."""
        from transforms.storage.lake import open_lake  # noqa: PLC0415 (slow import that many commands do not need)

        named = self.season.place.lake if (self.root / "season.toml").exists() else ""
        return open_lake(named if "://" in named else str(self.root / (named or "lake")))

    @property
    def products(self) -> "LakePath":
        """Cache of weekly cross-products."""
        return self.lake / "cross_products"

    @property
    def night_fits(self) -> "LakePath":
        """Folder of the night fits, which fits by day take their variances from."""
        return self.lake / "night_fits"

    @property
    def stored_fits(self) -> Path:
        """File with the fits of the command `fit`, for the command that follows."""
        return self.root / STORED_FITS

    @property
    def home(self) -> Path:
        """Folder for the state of Prefect."""
        return self.root / HOME

    @property
    def log(self) -> Path:
        """Folder of log files, one per month."""
        return self.root / "log"

    @property
    def warehouse(self) -> Path:
        """Path of the DuckDB database."""
        return self.root / "warehouse.duckdb"

    @property
    def what_if(self) -> Path:
        """Path of the table used to answer what-if questions."""
        return self.root / "what_if.json"

    @property
    def trials(self) -> Path:
        """Folder of planned trials."""
        return self.root / "trials"

    @property
    def variations(self) -> Path:
        """Folder of plans of designed variation."""
        return self.root / "variations"

    @property
    def received(self) -> Path:
        """Folder of copies of received files."""
        return self.root / "received"

    @property
    def published(self) -> Path:
        """Path of the record of published pages."""
        return self.root / "published.json"

    @property
    def out(self) -> Path:
        """Folder of generated pages and tables."""
        return self.root / "out"


def season_template() -> str:
    """Return the commented `season.toml` of a new workspace, with all defaults."""
    return files(__package__).joinpath("season_template.toml").read_text("utf-8")


def init_workspace(root: Path, season_toml: str | None = None) -> Workspace:
    """Create the folders and a commented `season.toml`; existing files and folders are not changed.

    Args:
        root: the workspace folder.
        season_toml: content of `season.toml`; None for the template.

    Raises:
        WorkspaceError: `root` is a file.
    """
    if root.exists() and not root.is_dir():
        raise WorkspaceError(
            "a file exists in place of the workspace folder", where=str(root), remedy="choose another folder"
        )
    is_new = not root.exists()
    for name in FOLDERS:
        (root / name).mkdir(parents=True, exist_ok=True)
    if is_new:
        # The workspace contains growers' data: deny access to other users of this machine.
        root.chmod(0o700)
    target = root / "season.toml"
    if not target.exists():
        target.write_text(season_toml or season_template(), "utf-8")
    return Workspace(root)
