"""The stages of a post-shift run as plain functions: read tables, call transforms, write tables. No Prefect here."""

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from flows.progress import Reporter
from reports.trial_sheet import write_trial_sheet
from transforms.advice.guide_work import GuideJob, work_out
from transforms.advice.moves import ADVICE_SCHEMA, advise_machine
from transforms.advice.outlook import NextShift, Outlook, next_outlook, working_hours
from transforms.advice.posterior import draw_slopes
from transforms.advice.season_worth import season_cost
from transforms.advice.shrinkage import shrinkage
from transforms.advice.situations import next_situations
from transforms.advice.storability import storability
from transforms.advice.what_if import write_table
from transforms.catalogue import DIRT, ROOT_LOSS, TOPS
from transforms.conditions.field_hours import field_hours
from transforms.conditions.weather import fill_hours, hours_of_days
from transforms.errors import ConsistencyError, WorkspaceError
from transforms.hold import held
from transforms.intake.apart import receive_each
from transforms.intake.due import due_files, forget_changed, redate, remember, remembered
from transforms.intake.failed_read import failed_reads, forget_rejections
from transforms.intake.inbox import look
from transforms.intake.isolated_read import IsolatedRead, release_reader, wait_for_orphans
from transforms.intake.keeping import UNPACKED, due_copies, keep_mappings, keep_received, receive_copies
from transforms.intake.mapping import Mapping, read_mappings
from transforms.intake.receive import Received, Store, examine
from transforms.intake.received import ReceivedCopies
from transforms.lake import NO_BINS, Lake, read_frame
from transforms.lake_record import require_lake
from transforms.losses import root_loss
from transforms.model.checks.fit_checks import BY_REFITTING, CHECKS, check_rows
from transforms.model.findings import FINDINGS, OF_DIRT, FitJob, ResponseJob, check, find, fit_one
from transforms.model.findings import compare as compare_one
from transforms.model.fit import ResponseFit
from transforms.model.parts import ProductStore
from transforms.product_basis import ADVICE, BENCHMARK, FIT_CHECK, GUIDE, OutcomeCode, store_basis
from transforms.ready import ready_lake, require_workspace, tidy
from transforms.spread import Shared, Spread, here, near
from transforms.sql_files import sql_names
from transforms.trace.season_trace import SeasonTrace, audits_settings
from transforms.trial.design import design_trial, what_a_day_finds
from transforms.trial.plan import Trial, read_trial, trial_toml
from transforms.trial.read import Reading, find_loads, read
from transforms.trial.wanted import trials_wanted
from transforms.warehouse import Warehouse
from transforms.working.roll_up import RolledUp
from transforms.working.roll_up import roll_up as rolled_up
from transforms.working.season_bins import bin_days, drop_gone_days, machine_days_of_bins, stale_days
from transforms.working.shift_course import shift_course
from transforms.workspace import Season, Workspace

ADVICE_SEED = 20_251_001
"""The same data give the same advice: the posterior draws start from here."""


MIN_PLOTS = 10
"""Dig-behind plots that a subject's root loss must rest on before it is compared."""


@dataclass(frozen=True)
class Fits:
    """The fitted responses; None where there is too little to fit."""

    dirt: ResponseFit | None
    loss: ResponseFit | None
    tops: ResponseFit | None

    @property
    def fitted(self) -> list[ResponseFit]:
        """Those there are."""
        return [f for f in (self.dirt, self.loss, self.tops) if f is not None]

    @cached_property
    def shared(self) -> dict[str, Shared[ResponseFit]]:
        """Those there are by response, for other processes to read."""
        return {f.response: Shared(f) for f in self.fitted}


def _outcome(fits: Fits) -> OutcomeCode:
    return OutcomeCode.COMPUTED if fits.fitted else OutcomeCode.TOO_FEW_LOADS


def open_warehouse(workspace: Workspace) -> Warehouse:
    """Open the workspace's warehouse; the season file is read first so that a wrong folder is said plainly."""
    _ = workspace.season
    require_workspace(workspace)
    return Warehouse(workspace.warehouse)


def _mappings(workspace: Workspace) -> list[Mapping]:
    mappings = read_mappings(workspace.mappings, workspace.season.catalogue)
    if not mappings:
        raise WorkspaceError(
            "there is no mapping", where=str(workspace.mappings),
            mend="run 'taretrace map FILE' on one file of each kind of export",
        )  # fmt: skip
    return mappings


def receive_files(workspace: Workspace, reporter: Reporter, spread: Spread = here) -> list[Received]:
    """Take in every new file of the inbox, and again those whose mapping has changed or whose reader failed once."""
    catalogue, mappings, lake = workspace.season.catalogue, _mappings(workspace), Lake(workspace.lake)
    place, copies, now = workspace.season.place, ReceivedCopies(workspace.received), dt.datetime.now(dt.UTC)
    wait_for_orphans(workspace.root)
    tidy(workspace)
    with open_warehouse(workspace) as warehouse:
        ready_lake(warehouse, lake)
        before = remembered(warehouse)
        inbox = look(workspace.inbox, before)
        remember(inbox, before, warehouse)
        for name, why in inbox.left:
            reporter.say(f"Left alone: {name}: {why}")
        changed = forget_changed(inbox, mappings, warehouse, lake, copies.readable())
        if changed.again:
            reporter.say(f"{len(changed.again)} files are read again: their mapping has changed")
        if changed.stuck:
            reporter.say(f"{len(changed.stuck)} files have a changed mapping, but neither they nor a copy are there: "
                         f"put them into the inbox again, such as {changed.stuck[0][1]}")  # fmt: skip
        if again := forget_rejections(inbox, warehouse):
            reporter.say(f"{again} files are read again: reading them failed before")
        files, old, store = due_files(inbox, warehouse), due_copies(copies, inbox, warehouse), Store(warehouse, lake)
        read = IsolatedRead(workspace.root)
        with reporter.stage(f"Reading {len(files) + len(old)} new files", len(files) + len(old)) as advance:
            out = []
            unpacked = workspace.root / UNPACKED
            each = chain(
                receive_each(files, mappings, catalogue, store, spread, read),
                receive_copies(old, copies, unpacked, mappings, catalogue, store, spread, read),
            )
            for found, received in each:
                if received is None:
                    reporter.say(f"Left for the next run: {found.file} changed while it was read")
                else:
                    out.append(received)
                    _tell_failure(received, reporter)
                advance()
        with reporter.stage("Keeping copies of received files"):
            kept = keep_received(inbox, warehouse, copies, place.keep_received_days, now)
            if place.keep_received_days:
                keep_mappings(mappings, workspace.mappings, copies)
        if kept.left:
            reporter.say(f"The disk is nearly full: {len(kept.left)} received files are not copied")
        redate(chain(inbox.found, *(c.as_found() for c in copies.index().values())), mappings, warehouse)
    if files or old:
        release_reader()
    return out


def _tell_failure(received: Received, reporter: Reporter) -> None:
    """Show and log that a file's reader failed."""
    code = received.failure_code or ("system_error" if received.failed else "")
    if not code:
        return
    more = f" ({received.failed})" if received.failed else ""
    reporter.say(f"Not read, {code}{more}: {received.file}; the next run tries once more, all others go on")
    if reporter.log is not None:
        reporter.log(stage="failed read", file=received.file, reason_code=code)


@dataclass(frozen=True)
class Examined:
    """What would become of the files that are due.

    Attributes:
        received: their counts.
        rejected: their rejected rows.
        left: (name, why) of what is not read.
        failed: files whose reader failed in earlier runs.
    """

    received: list[Received]
    rejected: pl.DataFrame
    left: list[tuple[str, str]]
    failed: pl.DataFrame


def examine_files(workspace: Workspace, reporter: Reporter) -> Examined:
    """Read every file due as `receive_files` would and store nothing."""
    catalogue, mappings, lake = workspace.season.catalogue, _mappings(workspace), Lake(workspace.lake)
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        inbox = look(workspace.inbox, remembered(warehouse))
        files, store = due_files(inbox, warehouse), Store(warehouse, lake)
        with reporter.stage(f"Looking at {len(files)} new files", len(files)) as advance:
            out = []
            for found in files:
                out.append(examine(found, mappings, catalogue, store, IsolatedRead()))
                advance()
        rejected = pl.concat([warehouse.table("rejected_row").clear(), *(rows for _, rows in out)])
        failed = failed_reads(warehouse)
    return Examined([received for received, _ in out], rejected, inbox.left, failed)


def bin_telemetry(workspace: Workspace, reporter: Reporter, spread: Spread = here) -> int:
    """Make the bins of machine-days that changed."""
    catalogue, lake = workspace.season.catalogue, Lake(workspace.lake)
    with open_warehouse(workspace) as warehouse:
        damaged = require_lake(warehouse, lake, bins=False)
        drop_gone_days(warehouse, lake)
        stale = stale_days(warehouse, catalogue, damaged)
        with reporter.stage(f"Binning {len(stale)} machine-days", len(stale)) as advance:
            made = bin_days(stale, warehouse, lake, catalogue, advance, spread)
        # A day is judged by the machine's other days: silent there as well is a set point, else a stuck sensor.
        if silent := stale_days(warehouse, catalogue, set()):
            bin_days(silent, warehouse, lake, catalogue, lambda: None, spread)
    if made < len(stale):
        reporter.say(f"{len(stale) - made} machine-days are not binned: no machine list names their machines")
    return made


def roll_up(workspace: Workspace, reporter: Reporter) -> RolledUp:
    """Let the records of old machine-days go where season.toml says so; their bins are kept."""
    season, lake = workspace.season, Lake(workspace.lake)
    if not season.place.keep_telemetry_days:
        return RolledUp()
    with open_warehouse(workspace) as warehouse, reporter.stage("Rolling up old records"):
        stale = set(stale_days(warehouse, season.catalogue, require_lake(warehouse, lake, bins=False)))
        return rolled_up(warehouse, lake, season.place.keep_telemetry_days, dt.datetime.now(dt.UTC), stale)


def trace(workspace: Workspace, reporter: Reporter, spread: Spread = here) -> int:
    """Trace the loads of every field whose tickets, work or clocks changed; return how many fields that were."""
    season, lake = workspace.season, Lake(workspace.lake)
    with open_warehouse(workspace) as warehouse:
        require_lake(warehouse, lake)
        work = SeasonTrace(warehouse, lake, season, spread)
        stale = work.stale()
        with reporter.stage(f"Reading the work of {len(stale)} fields", len(stale)) as advance:
            learnt = work.learn(stale, advance)
        due = work.due(learnt)
        with reporter.stage(f"Tracing the loads of {len(due)} fields", len(due)) as advance:
            work.trace(due, learnt, advance)
        audits = root_loss(warehouse.table("loss_audit"))
        with warehouse.transaction():
            warehouse.replace("clock_offset", learnt.offsets())
            warehouse.store("audit_loss", audits)
            warehouse.store("audit_setting", audits_settings(audits, lake, learnt, season.catalogue))
    return len(due)


def conditions(workspace: Workspace, reporter: Reporter) -> None:
    """Work out every field's topsoil wetness by the hour."""
    season = workspace.season
    with open_warehouse(workspace) as warehouse, reporter.stage("Working out topsoil wetness"):
        hours = hours_of_days(warehouse.table("weather_hour"), warehouse.table("weather_day"), season.time_zone)
        filled = fill_hours(hours)
        with warehouse.transaction():
            warehouse.replace("weather_filled", filled)
            warehouse.store("field_hour", field_hours(filled, warehouse.table("field")))


def marts(workspace: Workspace, reporter: Reporter) -> None:
    """Join everything to one row a load and one row an audit, and check what must hold."""
    with open_warehouse(workspace) as warehouse, reporter.stage("Joining loads, tares and conditions"):
        require_lake(warehouse, Lake(workspace.lake))
        machine_days_of_bins(warehouse, Lake(workspace.lake))
        with warehouse.transaction():
            build_facts(warehouse, workspace.season)
        run_checks(warehouse)


def build_facts(warehouse: Warehouse, season: Season) -> None:
    """Build the marts of loads and audits."""
    starts = season.shift_starts
    shift = {"zone": season.time_zone, "shift_starts": dt.timedelta(hours=starts.hour, minutes=starts.minute)}
    for name in ("load_fact", "audit_fact"):
        warehouse.build(name, **shift)
    warehouse.build("load_class")


def run_checks(warehouse: Warehouse) -> None:
    """Run every check of `sql/checks/`.

    Raises:
        ConsistencyError: a check returns rows; that is an internal error, whatever the data.
    """
    for name in sql_names("checks"):
        wrong = warehouse.check(name)
        if wrong.height:
            raise ConsistencyError(name, wrong.height)


def fit(workspace: Workspace, reporter: Reporter, spread: Spread = here) -> Fits:
    """Fit dirt, root loss and tops, and store what was found; advice, guide and comparison stay (`product_basis`)."""
    season = workspace.season
    store = ProductStore(workspace.products, spread)
    facts = ((DIRT, "load_fact"), (ROOT_LOSS, "audit_fact"), (TOPS, "load_fact"))
    with open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace)
        before, cv = _last_season(season), season.lab_cv_at_25_kg
        jobs = [ResponseJob(warehouse.table(t), r, season.catalogue, cv, store, before) for r, t in facts]
        with reporter.stage("Fitting what drives dirt, root loss and tops", len(facts)) as advance:
            found = []
            for fit_of, used in near(spread)(fit_one, jobs):
                found.append(fit_of)
                store.used |= used
                advance()
        fits = Fits(*found)
        with reporter.stage("Working out effects and curves"):
            tables = _findings(fits, season, spread)
        with warehouse.transaction():
            for name, rows in tables.items():
                warehouse.replace(name, pl.concat([warehouse.table(name).clear(), *rows], how="diagonal_relaxed"))
        run_checks(warehouse)
    store.sweep()
    return fits


def forget_products(workspace: Workspace) -> None:
    """Forget the cross-products of weeks and where fits started from, so that the next fit sums every row anew."""
    ProductStore(workspace.products).sweep()


def check_fits(
    workspace: Workspace, fits: Fits, reporter: Reporter, spread: Spread = here, *, refits: bool = True
) -> pl.DataFrame:
    """Check each fit (placebo, fields and weeks left out, influence, tails) and store what was found.

    `refits` says whether checks that fit the model again are made; else they stand as they were made last.
    """
    season = workspace.season
    asked = [
        FitJob(f, name, season.catalogue, season.advice.min_loads) for f in fits.shared.values() for name in CHECKS
    ]
    with open_warehouse(workspace) as warehouse:
        before = warehouse.table("fit_check")
        found = [before.clear() if refits else _standing(before, job) for job in asked]
        due = [i for i, rows in enumerate(found) if not rows.height]
        with reporter.stage("Checking the fits", len(due)) as advance:
            for i, rows in zip(due, near(spread)(check, [asked[i] for i in due]), strict=True):
                found[i] = check_rows(asked[i].fit.value, rows)
                advance()
        checks = pl.concat([before.clear(), *found], how="diagonal_relaxed")
        with warehouse.transaction():
            warehouse.replace("fit_check", checks)
            store_basis(warehouse, FIT_CHECK, _outcome(fits))
    return checks


def _standing(checks: pl.DataFrame, job: FitJob) -> pl.DataFrame:
    """The rows of a check that need not be made again; none of one that costs little."""
    of_it = pl.col("check").is_in(list(BY_REFITTING.get(job.name, ())))
    return checks.filter((pl.col("response") == job.fit.value.response) & of_it)


def _last_season(season: Season) -> pl.DataFrame | None:
    """What the workspace of last season found, where `season.toml` names one."""
    if season.last_season is None:
        return None
    if not Workspace(season.last_season).warehouse.exists():
        raise WorkspaceError(
            "the workspace of last season is not there", where=f"season.toml [fit] last_season = {season.last_season}",
            mend="name its folder, or take the line out",
        )  # fmt: skip
    with Warehouse.to_look_at(Workspace(season.last_season).warehouse) as warehouse:
        return warehouse.table("fit_posterior") if warehouse.has("fit_posterior") else None


def _findings(fits: Fits, season: Season, spread: Spread) -> dict[str, list[pl.DataFrame]]:
    """Every table that says what the fits found."""
    jobs = [
        FitJob(f, name, season.catalogue, season.advice.min_loads)
        for response, f in fits.shared.items()
        for name in FINDINGS
        if name not in OF_DIRT or response == DIRT
    ]
    out: dict[str, list[pl.DataFrame]] = {name: [] for name in FINDINGS}
    for job, table in zip(jobs, near(spread)(find, jobs), strict=True):
        out[job.name].append(table)
    return out


def compare(
    workspace: Workspace, fits: Fits, reporter: Reporter, spread: Spread = here, *, anew: bool = True
) -> pl.DataFrame:
    """Compare machines, operators, growers, fields and seasons, each against what its conditions lead one to expect.

    Unless `anew`, a comparison that was made before stands as it is.
    """
    season, least = workspace.season, workspace.season.advice.min_loads
    jobs = [
        FitJob(f, "benchmark", season.catalogue, MIN_PLOTS if response == ROOT_LOSS else least)
        for response, f in fits.shared.items()
    ]
    with open_warehouse(workspace) as warehouse:
        before = warehouse.table("benchmark")
        if before.height and not anew:
            return before
        tables, changes = [before.clear()], [warehouse.table("season_change").clear()]
        with reporter.stage("Comparing the fleet", len(jobs)) as advance:
            for rows, change in near(spread)(compare_one, jobs):
                tables.append(rows)
                changes.append(change)
                advance()
        table = pl.concat(tables, how="diagonal_relaxed")
        with warehouse.transaction():
            warehouse.replace("benchmark", table)
            warehouse.replace("season_change", pl.concat(changes, how="diagonal_relaxed"))
            store_basis(warehouse, BENCHMARK, _outcome(fits))
        run_checks(warehouse)
    return table


def keep(workspace: Workspace, reporter: Reporter) -> None:
    """Say of every measured load how long it keeps, and add up piles by site and shift."""
    with open_warehouse(workspace) as warehouse, reporter.stage("Working out how long loads keep"):
        require_facts(warehouse, workspace)
        facts, audits = warehouse.table("load_fact"), warehouse.table("audit_fact")
        rows = storability(facts, audits, warehouse.query("root_temp"), workspace.season.prices)
        season = workspace.season
        cost = season_cost(facts, audits, warehouse.table("field"), rows, season.sites, season.prices)
        with warehouse.transaction():
            warehouse.replace("storability", rows)
            warehouse.build("pile_ledger")
            warehouse.replace("season_cost", cost)


def advise(workspace: Workspace, fits: Fits, reporter: Reporter) -> pl.DataFrame:
    """Work out at most three moves a machine for the next shift."""
    season = workspace.season
    with open_warehouse(workspace) as warehouse, reporter.stage("Weighing moves for the next shift"):
        rows = [pl.DataFrame(schema=ADVICE_SCHEMA)]
        if fits.dirt is not None:
            rng = np.random.default_rng(ADVICE_SEED)
            facts, spread = warehouse.table("load_fact"), {f.response: shrinkage(f) for f in fits.fitted}
            outlook = _outlook(warehouse, facts, season)
            warehouse.replace("next_condition", outlook.fields)
            situations = next_situations(
                facts,
                outlook,
                warehouse.table("field"),
                warehouse.table("machine"),
                season.sites,
                fits.dirt,
                fits.loss,
                season.catalogue,
                season.advice.min_loads,
                season.prices.haul_km,
                rng,
            )
            for situation, place in situations:
                dirt, loss = (
                    draw_slopes(
                        f, place, situation.settings, season.catalogue, season.advice.max_steps, spread[f.response], rng
                    )
                    if f
                    else None
                    for f in (fits.dirt, fits.loss)
                )
                if dirt is None:
                    continue
                rows.append(advise_machine(situation, dirt, loss, season.catalogue, season.prices, season.advice))
        table = pl.concat(rows)
        with warehouse.transaction():
            warehouse.replace("advice", table)
            store_basis(warehouse, ADVICE, OutcomeCode.COMPUTED if table.height else OutcomeCode.TOO_FEW_LOADS)
        run_checks(warehouse)
    return table


def guide(workspace: Workspace, fits: Fits, reporter: Reporter, spread: Spread = here) -> None:
    """Work out where to start in each class of conditions, and what any setting would do in any."""
    season = workspace.season
    with (
        open_warehouse(workspace) as warehouse,
        reporter.stage("Writing the setting guide's tables"),
    ):
        if fits.dirt is None:
            if not warehouse.table("guide_class").height:
                store_basis(warehouse, GUIDE, OutcomeCode.TOO_FEW_LOADS)
            return
        about = (season.catalogue, season.prices, season.advice.min_loads, warehouse.query("class_tonnes"), ADVICE_SEED)
        jobs = [GuideJob(what, fits.shared[DIRT], fits.shared.get(ROOT_LOSS), *about) for what in ("guide", "what-if")]
        found, table = near(spread)(work_out, jobs)
        write_table(table, workspace.what_if)
        wanted = trials_wanted(
            warehouse.table("effect"), warehouse.query("trial_ground"), float(np.sqrt(fits.dirt.reml.residual)),
            season.lab_cv_at_25_kg, season.catalogue,
        )  # fmt: skip
        with warehouse.transaction():
            for name, rows in (
                ("guide", found.settings),
                ("guide_class", found.classes),
                ("guide_curve", found.curves),
                ("guide_worth", found.worth),
                ("trial_wanted", wanted),
            ):
                warehouse.replace(name, rows)
            store_basis(warehouse, GUIDE, OutcomeCode.COMPUTED)


def _span(shift: dt.date | None, season: Season) -> tuple[dt.datetime, dt.datetime]:
    """When a shift begins and ends, UTC; no time at all where there is none."""
    zone, day = ZoneInfo(season.time_zone), dt.timedelta(days=1)
    first = shift or dt.date(1970, 1, 2)
    begins = dt.datetime.combine(first, season.shift_starts, zone).astimezone(dt.UTC)
    ends = dt.datetime.combine(first + day, season.shift_starts, zone).astimezone(dt.UTC)
    return begins, ends if shift else begins


def course(workspace: Workspace) -> None:
    """Work out how the last shift went: settings by five minutes, passes, and where a setting was changed."""
    season, lake = workspace.season, Lake(workspace.lake)
    with open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace, "load_class")
        shift: dt.date | None = warehouse.query("last_shift")["shift_date"][0]
        begins, ends = _span(shift, season)
        days = warehouse.query("binned_between", first=str(begins.date()), last=str(ends.date()))
        frames = [read_frame(lake.bin_path(m, d)) for m, d in days.iter_rows()]
        placed = {"lat_deg": pl.Float64, "lon_deg": pl.Float64}
        bins = pl.concat([pl.DataFrame(schema={**NO_BINS, **placed}), *frames], how="diagonal")
        went = shift_course(
            bins.filter((pl.col("bin_at") >= begins) & (pl.col("bin_at") < ends)).sort("machine_id", "bin_at"),
            warehouse.query("shift_trace", shift_date=shift), warehouse.query("shift_dirt", shift_date=shift),
            warehouse.table("field_hour"), season.catalogue,
        )  # fmt: skip
        with warehouse.transaction():
            warehouse.store("shift_course", went.course)
            warehouse.store("shift_pass", went.passes)
            warehouse.replace("setting_decision", went.decisions)


def _outlook(warehouse: Warehouse, facts: pl.DataFrame, season: Season) -> Outlook:
    """Conditions of the shift after the last one."""
    last: dt.date = facts["shift_date"].max()  # type: ignore[assignment]
    return next_outlook(
        warehouse.table("field_hour"),
        warehouse.table("weather_filled"),
        warehouse.table("forecast_hour"),
        warehouse.table("field"),
        NextShift(
            last + dt.timedelta(days=1),
            season.shift_starts,
            working_hours(facts["lifted_at"], season.time_zone),
            season.time_zone,
        ),
    )


def require_facts(warehouse: Warehouse, workspace: Workspace, *more: str) -> None:
    """Say plainly that nothing has been ingested yet, or not by this taretrace."""
    if not all(warehouse.has(name) for name in ("load_fact", *more)):
        raise WorkspaceError(
            "nothing has been ingested yet", where=str(workspace.root), mend="run 'taretrace ingest' on it first"
        )


@dataclass(frozen=True)
class TrialAsked:
    """What a person asks of a trial; None where the advice or the data are to say."""

    setting: str | None
    machine: str | None
    field: str | None
    to: float | None
    day: str | None
    detect_pct: float | None
    power: float


def plan_trial(workspace: Workspace, asked: TrialAsked) -> tuple[Trial, Path, Path, str]:
    """Plan a trial, write its file and its sheet; return it, both paths, and what a day's loads would find."""
    season = workspace.season
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        require_facts(warehouse, workspace)
        facts = warehouse.table("load_fact")
        trial = design_trial(
            asked.__dict__, facts, warehouse.table("advice"), warehouse.table("fit_run"), season,
            sorted(p.stem for p in workspace.trials.glob("*.toml")), str(workspace.root),
        )  # fmt: skip
    workspace.trials.mkdir(exist_ok=True)
    path = workspace.trials / f"{trial.trial_id}.toml"
    path.write_text(trial_toml(trial, season.catalogue), "utf-8")
    return trial, path, write_trial_sheet(trial, season, workspace.out), what_a_day_finds(trial, facts)


def read_trial_loads(workspace: Workspace, trial_id: str) -> tuple[Trial, Reading, pl.DataFrame]:
    """Find a trial's loads, read it, and store both for the next fit."""
    trial = read_trial(workspace.trials / f"{trial_id}.toml", workspace.season.catalogue)
    with held(workspace.root, "trial read"), open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace)
        facts = warehouse.table("load_fact")
        loads = find_loads(trial, facts)
        result = read(trial, loads, facts)
        row = {
            "trial_id": trial.trial_id, "machine_id": trial.machine_id, "field_id": trial.field_id,
            "shift_date": trial.shift_date, "setting": trial.setting, "value_a": trial.values[0],
            "value_b": trial.values[1], **result.__dict__,
        }  # fmt: skip
        mine = pl.col("trial_id") != trial.trial_id
        kept, others = warehouse.table("trial_result").filter(mine), warehouse.table("trial_load").filter(mine)
        result_row = pl.DataFrame([row]).cast(kept.schema)
        others = others.join(loads, on="load_id", how="anti")
        with warehouse.transaction():
            warehouse.replace("trial_result", pl.concat([kept, result_row.select(kept.columns)]))
            warehouse.replace("trial_load", pl.concat([others, loads.select(others.columns)]))
            build_facts(warehouse, workspace.season)
    return trial, result, loads
