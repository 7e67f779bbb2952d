"""Section on methods and data quality, with every check of every fit."""

from reports.language.basis_messages import earlier_note
from reports.language.display_units import number
from reports.language.labels import RESPONSES, check_label, setting_label
from reports.language.reason_text import row_reason
from reports.language.translate import mark, say
from reports.page.model import Prose, Section
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from reports.sections.effects_data import FitChecksData
from reports.sections.fit_checks import earlier_shift_note
from transforms.config.settings_catalogue import Catalogue
from transforms.storage.product_basis import FIT_CHECK

METHODS = (
    mark(
        "Tracing: each load is traced to the half minutes that filled it, from emptyings, truck times and the mass "
        "lifted; if the times do not decide, its mass is spread over all minutes they allow. Loads that cannot be "
        "traced are reported."
    ),
    mark(
        "Expected dirt of a load is the value expected for its field, topsoil and crop at the fleet's usual settings. "
        "Maps compare fields, so their expected dirt is that of an average field in the same conditions."
    ),
    mark(
        "Effects are estimated within visits: they compare loads of the same machine, on the same day in the same "
        "field, at different values of a setting. Comparisons between visits follow conditions and operators, and are "
        "shown beside them as a warning. These are measured associations, not proof; a split-run trial is proof."
    ),
    mark(
        "Intervals are 95 % intervals. Effects count as certain if the expected share of false alarms among them is "
        "below 5 in 100. The bands of curves contain the whole curve. Effects used for advice, guide and savings are "
        "shrunk towards each other, because the best of many was picked; effects reported here are not."
    ),
    mark(
        "No estimate is given if there are fewer than 30 measured loads, only one machine, or hardly any change of "
        "the setting."
    ),
)


def checks_finding(made: int, passed: int) -> str:
    """Return a sentence on the number of checks passed."""
    return say("{passed} of {made} checks of the fits passed; all are listed below.", passed=passed, made=made)


def _last_season(data: FitChecksData, catalogue: Catalogue) -> tuple[Table, ...]:
    """Return the table of how much of last season is used for each setting; nothing without a last season."""
    if not data.last_season.height:
        return ()
    table = build_table(
        "last_season",
        say("use of last season"),
        (
            Column(say("Response"), lambda r: text_cell(say(RESPONSES[r["response"]]))),
            Column(say("Setting"), lambda r: text_cell(setting_label(r["setting"], catalogue)), numeric=False),
            Column(say("Weight of last season"), lambda r: number_cell(r["last_season_weight"], 2)),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        data.last_season.iter_rows(named=True),
        caption=say(
            "Each setting's effects of last season are used as far as this season agrees: 1 is wholly, 0 is not at all."
        ),
    )
    return (table,)


def methods_section(data: FitChecksData, trace_quality: float | None, catalogue: Catalogue) -> Section:
    """Return the section on methods and data quality."""
    checks = data.checks
    results = {True: say("passed"), False: say("NOT passed"), None: say("not run")}
    table = build_table(
        "checks",
        say("checks of the fits"),
        (
            Column(say("Response"), lambda r: text_cell(say(RESPONSES[r["response"]]))),
            Column(
                say("Check"),
                lambda r: text_cell(check_label(r["check"])),
                numeric=False,
            ),
            Column(say("Value"), lambda r: number_cell(r["value"], 3)),
            Column(say("Bound"), lambda r: number_cell(r["bound"], 3)),
            Column(
                say("Result"), lambda r: text_cell(results[r["passed"]], strong=r["passed"] is False), numeric=False
            ),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        checks.iter_rows(named=True),
        caption=" ".join(
            filter(
                None,
                (
                    checks_finding(checks["passed"].count(), int(checks["passed"].sum())),
                    earlier_shift_note(checks),
                ),
            )
        ),
    )
    quality = say(
        "Mean trace quality is {quality} of 1: about this share of a load's mass is expected to come from the "
        "minutes to which it is traced.",
        quality=number(trace_quality, 2),
    )
    return Section(
        "methods",
        say("Methods and data quality"),
        (
            *(Prose(say(m)) for m in METHODS),
            Prose(quality),
            *earlier_note(FIT_CHECK, data.status),
            table,
            *_last_season(data, catalogue),
        ),
    )
