"""Commands for designed variation: plan, read."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from flows.cli.delivery import report_publication
from flows.cli.help import CommandLine
from flows.cli.options import HERE, Folder, Json, Pdf
from flows.cli.output import finish
from flows.runtime.progress import Reporter
from reports.language.display_units import number
from reports.language.translate import say, say_n
from reports.page.formats import OutputFormats
from reports.sections.cautions import SAFETY_CAUTION
from transforms.config.workspace import Season, Workspace
from transforms.storage.lock import lock_workspace

if TYPE_CHECKING:
    from transforms.variation.design import LeftOut
    from transforms.variation.plan import MachinePlan

vary_app = CommandLine(help="Vary settings by plan between pairs of loads, so that the season learns what it can save.")


def _machine_line(machine: "MachinePlan", season: Season) -> str:
    """Return a sentence on the settings varied on a machine and what it is worth."""
    from flows.cli.stored_columns import display_units
    from reports.language.labels import setting_label
    from reports.language.precision import plain_money, setting_value

    shown, catalogue = display_units(season), season.catalogue
    settings = [
        say(
            "{setting} {low} and {high}",
            setting=setting_label(s.name, catalogue),
            low=setting_value(s.low_value, catalogue[s.name], shown, unit=False),
            high=setting_value(s.high_value, catalogue[s.name], shown),
        )
        for s in machine.settings
    ]
    return say_n(
        "{machine}: {settings} in {n} pair of loads; worth knowing: {worth} {currency}, cost: {cost} {currency}.",
        "{machine}: {settings} in {n} pairs of loads; worth knowing: {worth} {currency}, cost: {cost} {currency}.",
        len(machine.loads) // 2,
        machine=machine.machine_id,
        settings="; ".join(settings),
        worth=plain_money(sum(s.worth for s in machine.settings)),
        cost=plain_money(sum(s.cost for s in machine.settings)),
        currency=season.currency,
    )


def _left_out_lines(left_out: "tuple[LeftOut, ...]", season: Season) -> list[str]:
    """Return a line for each reason that leaves settings out, with the number of settings and machines."""
    from reports.language.labels import capital
    from reports.language.reason_text import format_reason

    by_reason: dict[str, list[LeftOut]] = {}
    for item in left_out:
        by_reason.setdefault(format_reason(item.why, season.catalogue), []).append(item)
    return [
        say_n(
            "{reason}: {n} setting on {machines}.",
            "{reason}: {n} settings on {machines}.",
            len(items),
            reason=capital(why),
            machines=", ".join(dict.fromkeys(i.machine_id for i in items)),
        )
        if all(i.setting for i in items)
        else f"{capital(why)}: {', '.join(i.machine_id for i in items)}."
        for why, items in by_reason.items()
    ]


@vary_app.command(name="plan")
def vary_plan(
    folder: Folder = HERE,
    machine: Annotated[
        str | None, typer.Option(help="Plan for this machine alone (default: all that worked in the last shift).")
    ] = None,
    pdf: Pdf = False,
    as_json: Json = False,
) -> None:
    """Plan two settings per machine to vary in the coming shift, and write a card for each operator.

    In each pair of loads, one load has the setting a step lower and the other a step higher, in random order. Both
    values are inside what the fleet has tried. The plan picks the settings that are most worth knowing, after the cost
    of varying them, and never goes back on an advised change by more than the interval of that change allows.

    Writes variations/NAME.toml, which you leave as it is, and the cards. Needs enabled = true under [vary] in
    season.toml. After the shift: taretrace vary read NAME.
    """
    from flows import stages
    from flows.cli.decision_tables import basis_of
    from flows.pipeline.delivery import deliver_pages
    from transforms.storage.product_basis import ADVICE

    workspace, reporter = Workspace(folder), Reporter(quiet=as_json)
    season = workspace.season
    with lock_workspace(folder, "vary plan"):
        planned = stages.plan_variation(workspace, machine, OutputFormats(pdf=pdf))
        if planned.file is not None:
            report_publication(deliver_pages(workspace, reporter), reporter)
    plan, left_out = planned.designed.plan, planned.designed.left_out
    basis_code, earlier = basis_of(workspace, ADVICE)
    outcome: dict[str, Any] = {
        "plan": None if plan is None else plan.plan_id,
        "shift_date": None if plan is None else plan.shift_date,
        "machines": [] if plan is None else [_machine_outcome(m) for m in plan.machines],
        "left_out": [{"machine_id": x.machine_id, "setting": x.setting, **x.why.columns} for x in left_out],
        "file": None if planned.file is None else planned.file.resolve(),
        "cards": [p.resolve() for p in planned.cards],
        "advice_basis_code": basis_code,
    }
    if plan is None:
        nothing = say("No setting is worth varying in the coming shift: nothing was written.")
        finish(as_json, outcome, [*earlier, *_left_out_lines(left_out, season), nothing])
        return
    finish(
        as_json,
        outcome,
        [
            *earlier,
            *(_machine_line(m, season) for m in plan.machines),
            *_left_out_lines(left_out, season),
            *(say("Cards for the operators: {file}", file=p.resolve()) for p in planned.cards),
            say("After the shift: taretrace vary read {plan} {folder}", plan=plan.plan_id, folder=folder),
            say(SAFETY_CAUTION),
        ],
    )


def _machine_outcome(machine: "MachinePlan") -> dict[str, Any]:
    """Return the plan of a machine for the JSON output."""
    return {
        "machine_id": machine.machine_id,
        "field_id": machine.field_id,
        "pairs": len(machine.loads) // 2,
        "settings": [s.__dict__ for s in machine.settings],
        "loads": machine.loads,
    }


@vary_app.command(name="read")
def vary_read(
    plan_id: Annotated[str, typer.Argument(help="Name of the plan.")], folder: Folder = HERE, as_json: Json = False
) -> None:
    """Find the loads of a plan after the shift, and compare the values set with those planned.

    A pair counts if its two loads differ by half of the planned difference or more. The next fit uses pairs that count
    as especially clean evidence, with the values that the machine logged. All other loads stay ordinary ones.
    """
    from flows import stages
    from reports.language.reason_text import format_reason
    from transforms.contracts.reason import Reason

    followed = stages.read_varied_loads(Workspace(folder), plan_id)
    plan, loads, catalogue = followed.plan, followed.loads, Workspace(folder).season.catalogue
    planned = sum(len(m.loads) // 2 * len(m.settings) for m in plan.machines)
    pairs = loads.unique(["variation_block", "setting"], keep="first", maintain_order=True)
    counted = pairs.filter(pairs["is_counted"]).height
    lines = [
        say("{n} of {all} planned differences count for the next fit.", n=number(counted, 0), all=number(planned, 0))
    ]
    why_not = pairs.filter(~pairs["is_counted"]).group_by("reason_code", "reason_args", maintain_order=True).len()
    lines += [
        say("Not counted: {n} ({reason}).", n=n, reason=format_reason(Reason(code, args), catalogue))
        for code, args, n in why_not.iter_rows()
    ]
    if not loads.height:
        lines.append(say("No load of this shift was found yet: ingest its tickets and logs first."))
    lines.append(say("Next: taretrace fit {folder}", folder=folder))
    outcome = {"plan": plan.plan_id, "planned": planned, "counted": counted, "loads": loads.to_dicts()}
    finish(as_json, outcome, lines)
