"""Commands that support decisions: benchmark, piles, what-if, trial, vary."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated

import typer

from flows.cli.call_errors import ContradictingOptions
from flows.cli.completion import complete_assignment
from flows.cli.options import HERE, Folder, Json, OpenPage, PageOptions, Wait
from flows.cli.trial import trial_app
from flows.cli.vary import vary_app
from reports.language.translate import mark


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


@dataclass(frozen=True)
class Conditions:
    """Conditions of a question; None for the median of the season."""

    wetness: Annotated[
        float | None,
        typer.Option(min=0, max=1, help="Set topsoil wetness, 0 (dry) to 1 (wet) (default: season median)."),
    ] = None
    clay: Annotated[
        float | None, typer.Option(min=0, max=60, help="Set clay content in % (default: season median).")
    ] = None
    temp: Annotated[float | None, typer.Option(help="Set air temperature in °C (default: season median).")] = None
    crop: Annotated[
        float | None, typer.Option("--yield", min=5, max=160, help="Set yield in t/ha (default: season median).")
    ] = None

    @property
    def given(self) -> dict[str, bool]:
        """Option -> True if the call has it."""
        values = (self.wetness, self.clay, self.temp, self.crop)
        return dict(zip(("--wetness", "--clay", "--temp", "--yield"), (v is not None for v in values), strict=True))


def benchmark(
    folder: Folder = HERE,
    kind: Annotated[SubjectKind, typer.Option(metavar=mark("KIND"), help="Choose the subjects.")] = SubjectKind.machine,
    response: Annotated[
        Response, typer.Option(metavar=mark("RESPONSE"), help="Choose the quantity to compare.")
    ] = Response.dirt_tare_pct,
    only_for: Annotated[
        str | None,
        typer.Option(
            "--for",
            metavar=mark("ID"),
            help="Show only the subject with this id, with rounded reference values for all others.",
        ),
    ] = None,
    page: PageOptions = PageOptions(),
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Compare machines, operators, growers or fields, each with the value expected for its conditions.

    Observed less expected is the part by settings plus the unexplained part. The interval covers the part that neither
    conditions nor settings explain. Ranks (1 is the lowest) use the shrunken value, which is the better
    estimate when many subjects are compared. Subjects with too few loads are not compared.
    """
    if page.is_asked:
        from flows.cli.decision_pages import write_benchmark_page

        refuse_with_page({"--for": only_for is not None})
        write_benchmark_page(folder, page, wait, as_json=as_json)
        return
    from flows.cli import decision_tables

    decision_tables.benchmark(folder, kind.value, response.value, only_for, as_json=as_json)


def piles(folder: Folder = HERE, as_json: Json = False) -> None:
    """List piles by site and shift: stored mass, expected sugar loss, and which pile to slice first."""
    from flows.cli import decision_tables

    decision_tables.piles(folder, as_json=as_json)


def what_if(
    folder: Folder = HERE,
    conditions: Conditions = Conditions(),
    settings: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar=mark("SETTING=VALUE"),
            autocompletion=complete_assignment,
            help="Set a machine setting by its label or a part of it, with a unit, such as depth=8cm, or fitted parts, "
            "such as cleaning_elements=tines; repeatable.",
        ),
    ] = None,
    is_forced: Annotated[
        bool, typer.Option("--force", help="Answer also where nothing was tried: the model then extrapolates.")
    ] = False,
    is_page: Annotated[
        bool, typer.Option("--page", help="Write an offline page with sliders for all conditions and settings.")
    ] = False,
    is_opened: OpenPage = False,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Predict dirt, root loss and cost, with uncertainty, for given conditions and settings.

    A setting that is not given has the fleet's usual value, a place its usual parts. Values that no machine has run in
    such conditions are refused unless --force is given.
    """
    if is_page or is_opened:
        from flows.cli.decision_pages import write_what_if_page

        refuse_with_page({**conditions.given, "--set": bool(settings)})
        write_what_if_page(folder, wait, is_opened=is_opened, as_json=as_json)
        return
    from flows.cli import decision_tables

    asked = (conditions.wetness, conditions.clay, conditions.temp, conditions.crop)
    decision_tables.what_if(folder, asked, settings or [], is_forced=is_forced, as_json=as_json)


def refuse_with_page(given: dict[str, bool]) -> None:
    """Raise an error for an option that a page would ignore.

    Args:
        given: option -> True if the call has it.

    Raises:
        ContradictingOptions: an option is given.
    """
    for option, is_given in given.items():
        if is_given:
            raise ContradictingOptions("--page", option)


def register_decisions(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command(name="what-if")(what_if)
    app.add_typer(trial_app, name="trial")
    app.add_typer(vary_app, name="vary")
    app.command()(benchmark)
    app.command()(piles)
