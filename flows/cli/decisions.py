"""Commands that support decisions: benchmark, piles, what-if, trial, vary."""

from enum import StrEnum
from typing import Annotated

import typer

from flows.cli.options import HERE, Folder, Json
from flows.cli.trial import trial_app
from flows.cli.vary import vary_app


class SubjectKind(StrEnum):
    """Kind of subject to compare."""

    machine = "machine"
    operator = "operator"
    grower = "grower"
    field = "field"
    season = "season"


class Response(StrEnum):
    """Fitted response."""

    dirt_tare_pct = "dirt_tare_pct"
    root_loss_t_ha = "root_loss_t_ha"
    top_tare_pct = "top_tare_pct"


def benchmark(
    folder: Folder = HERE,
    kind: Annotated[
        SubjectKind,
        typer.Option(metavar="KIND", help="Choose the subjects: machine, operator, grower, field or season."),
    ] = SubjectKind.machine,
    response: Annotated[
        Response, typer.Option(metavar="RESPONSE", help="Choose dirt_tare_pct, root_loss_t_ha or top_tare_pct.")
    ] = Response.dirt_tare_pct,
    only_for: Annotated[
        str | None,
        typer.Option("--for", help="Show only the subject with this id, with rounded reference values for all others."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Compare machines, operators, growers or fields, each with the value expected for its conditions.

    Observed less expected is the part by settings plus the unexplained part. The interval covers the part that neither
    conditions nor settings explain. Ranks (1 is the lowest) use the shrunken value, which is the better
    estimate when many subjects are compared. Subjects with too few loads are not compared.
    """
    from flows.cli import decision_tables

    decision_tables.benchmark(folder, kind.value, response.value, only_for, as_json=as_json)


def piles(folder: Folder = HERE, as_json: Json = False) -> None:
    """List piles by site and shift: stored mass, expected sugar loss, and which pile to slice first."""
    from flows.cli import decision_tables

    decision_tables.piles(folder, as_json=as_json)


def what_if(
    folder: Folder = HERE,
    wetness: Annotated[
        float | None,
        typer.Option(min=0, max=1, help="Set topsoil wetness, 0 (dry) to 1 (wet) (default: season median)."),
    ] = None,
    clay: Annotated[
        float | None, typer.Option(min=0, max=60, help="Set clay content in % (default: season median).")
    ] = None,
    temp: Annotated[float | None, typer.Option(help="Set air temperature in °C (default: season median).")] = None,
    crop: Annotated[
        float | None, typer.Option("--yield", min=5, max=160, help="Set yield in t/ha (default: season median).")
    ] = None,
    settings: Annotated[
        list[str] | None,
        typer.Option("--set", help="Set a machine setting, NAME=VALUE in its stored unit; repeatable."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Predict dirt, root loss and cost, with uncertainty, for given conditions and settings.

    A setting that is not given has the fleet's usual value. A warning marks values that no machine has run in such
    conditions.
    """
    from flows.cli import decision_tables

    decision_tables.what_if(folder, (wetness, clay, temp, crop), settings or [], as_json=as_json)


def register_decisions(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command(name="what-if")(what_if)
    app.add_typer(trial_app, name="trial")
    app.add_typer(vary_app, name="vary")
    app.command()(benchmark)
    app.command()(piles)
