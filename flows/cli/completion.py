"""Completion of names that only the workspace knows: settings, machines, growers, trials and plans."""

from contextlib import suppress
from pathlib import Path

import typer

from flows.cli.call_options import OPTION_KEY, VARIABLE_KEY, nearest_workspace
from transforms.config.workspace import Workspace
from transforms.errors import WorkspaceError


def _workspace(ctx: typer.Context) -> Workspace:
    """Return the workspace that the options of an unfinished call name, else the nearest one."""
    named = ctx.meta.get(OPTION_KEY) or ctx.meta.get(VARIABLE_KEY)
    return Workspace(named or nearest_workspace(Path.cwd()) or Path())


def complete_setting(ctx: typer.Context, incomplete: str) -> list[str]:
    """Return the columns of the settings that begin with what was typed."""
    with suppress(WorkspaceError, OSError):
        return [n for n in _workspace(ctx).season.catalogue if n.startswith(incomplete)]
    return []


def complete_assignment(ctx: typer.Context, incomplete: str) -> list[str]:
    """Return the columns of the settings that begin with what was typed, each with an equals sign."""
    return [f"{name}=" for name in complete_setting(ctx, incomplete)]


def complete_machine(ctx: typer.Context, incomplete: str) -> list[str]:
    """Return the machines that begin with what was typed."""
    return _ids(ctx, "machine", "machine_id", incomplete)


def complete_grower(ctx: typer.Context, incomplete: str) -> list[str]:
    """Return the growers that begin with what was typed."""
    return _ids(ctx, "field", "grower_id", incomplete)


def complete_trial(ctx: typer.Context, incomplete: str) -> list[str]:
    """Return the trials that begin with what was typed."""
    return sorted(p.stem for p in _workspace(ctx).trials.glob(f"{incomplete}*.toml"))


def complete_plan(ctx: typer.Context, incomplete: str) -> list[str]:
    """Return the plans of variation that begin with what was typed."""
    return sorted(p.stem for p in _workspace(ctx).variations.glob(f"{incomplete}*.toml"))


def _ids(ctx: typer.Context, table: str, column: str, incomplete: str) -> list[str]:
    """Return the ids in a table that begin with what was typed; none while the warehouse cannot be read."""
    from transforms.storage.warehouse import Warehouse

    with suppress(WorkspaceError, OSError), Warehouse.open_read_only(_workspace(ctx).warehouse) as warehouse:
        ids = warehouse.table(table)[column].drop_nulls().unique().sort()
        return [i for i in ids if i.startswith(incomplete)]
    return []
