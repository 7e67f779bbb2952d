"""Verbs around what to do: benchmark, piles, what-if, trial."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.trial import trial_app

HERE = Path()
Folder = Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)]
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]


class SubjectKind(StrEnum):
    """A kind of subject to compare."""

    machine = "machine"
    operator = "operator"
    grower = "grower"
    field = "field"
    season = "season"


class Response(StrEnum):
    """A fitted response."""

    dirt_tare_pct = "dirt_tare_pct"
    root_loss_t_ha = "root_loss_t_ha"
    top_tare_pct = "top_tare_pct"


def benchmark(
    folder: Folder = HERE,
    kind: Annotated[SubjectKind, typer.Option(help="The kind of subject to compare.")] = SubjectKind.machine,
    response: Annotated[Response, typer.Option(help="The response to compare by.")] = Response.dirt_tare_pct,
    only_for: Annotated[
        str | None, typer.Option("--for", help="Show this one by name, and of the others only rounded marks.")
    ] = None,
    json_wanted: Json = False,
) -> None:
    """Compare machines, operators, growers or fields, each against what its own conditions lead one to expect.

    observed - expected = from_settings + unexplained, in the response's unit. The interval is of what neither
    conditions nor settings explain; the shrunken value is the better guess when many are looked at, and ranks (1 is
    the lowest) rest on it. Nobody is compared on too few loads.
    """
    from flows.cli import decision_tables as decisions

    decisions.benchmark(folder, kind.value, response.value, only_for, json_wanted=json_wanted)


def piles(
    folder: Folder = HERE,
    json_wanted: Json = False,
) -> None:
    """List piles by site and shift: what lies there, what it is expected to lose, and which to slice first."""
    from flows.cli import decision_tables as decisions

    decisions.piles(folder, json_wanted=json_wanted)


def what_if(
    folder: Folder = HERE,
    wetness: Annotated[
        float | None,
        typer.Option(min=0, max=1, help="Topsoil wetness, 0 dry to 1 wet; the season's middle if not given."),
    ] = None,
    clay: Annotated[float | None, typer.Option(min=0, max=60, help="Clay, %.")] = None,
    temp: Annotated[float | None, typer.Option(help="Air temperature, °C.")] = None,
    crop: Annotated[float | None, typer.Option("--yield", min=5, max=160, help="Yield, t/ha.")] = None,
    settings: Annotated[
        list[str] | None, typer.Option("--set", help="NAME=VALUE in stored units; may be given several times.")
    ] = None,
    json_wanted: Json = False,
) -> None:
    """Ask what dirt, root loss and cost are expected under given conditions and settings, and how sure that is.

    A setting that is not given stands at the fleet's usual value. What nobody has run in such conditions is said.
    """
    from flows.cli import decision_tables as decisions

    decisions.what_if(folder, (wetness, clay, temp, crop), settings or [], json_wanted=json_wanted)


def register_decisions(app: typer.Typer) -> None:
    """Add these verbs to the program."""
    app.command(name="what-if")(what_if)
    app.add_typer(trial_app, name="trial")
    app.command()(benchmark)
    app.command()(piles)
