"""Methods and data quality: how the figures come about, and every check of every fit."""

from reports.language.basis_messages import earlier_note
from reports.language.check_labels import of_an_earlier_shift
from reports.language.display_units import number
from reports.language.labels import RESPONSES, stored_words
from reports.language.translate import mark, say
from reports.page.model import Column, Prose, Row, Section, Table, figure, words
from transforms.config.settings_catalogue import Catalogue
from transforms.storage.product_basis import FIT_CHECK, product_status
from transforms.storage.warehouse import Warehouse

METHODS = (
    mark(
        "Tracing: each load is traced to the half minutes that filled it, from emptyings, trucks' times and the mass "
        "lifted; where times leave it open, shares are spread over all they allow. What cannot be traced is said."
    ),
    mark(
        "Expected dirt of a load is what its field, topsoil and crop lead one to expect at the fleet's usual settings."
    ),
    mark(
        "Effects are within visits: what changed when the same machine, on the same day in the same field, moved a "
        "setting. Readings between visits follow conditions and operators, and are shown beside them as a warning. "
        "Measured associations, not proof; a split-run trial is proof."
    ),
    mark(
        "Intervals are of 95 %. Effects count as certain where their share of false alarms stays below 5 in 100. The "
        "bands of curves hold the whole curve. Effects behind advice, guide and worth are drawn together a little, "
        "because the best of many was picked; effects reported here are not."
    ),
    mark(
        "Nothing is said where fewer than 30 measured loads, one machine only, or hardly any movement stand behind it."
    ),
)
CHECKS = {
    "placebo": mark("placebo: the next load's settings"),
    "out_of_field": mark("fields left out, against boosted trees"),
    "out_of_field_last_load": mark("fields left out, against the last load"),
    "later_week": mark("later weeks, against boosted trees"),
    "later_week_last_load": mark("later weeks, against the last load"),
    "coverage": mark("coverage of intervals"),
    "influence_field": mark("influence of one field"),
    "influence_machine": mark("influence of one machine"),
    "robust_errors": mark("errors by cluster of machines"),
    "balance": mark("settings that follow wetness"),
    "site_day": mark("factory days"),
    "tails": mark("tails"),
}


def checks_finding(made: int, passed: int) -> str:
    """Return how many checks were passed."""
    return say("{passed} of {made} checks of the fits were passed; each stands below.", passed=passed, made=made)


def methods_section(warehouse: Warehouse, catalogue: Catalogue) -> Section:
    """Return the last part of the report proper."""
    checks = warehouse.table("fit_check")
    standing = {True: say("passed"), False: say("NOT passed"), None: say("not made")}
    table = Table(
        "checks",
        say("checks of the fits"),
        (
            Column(say("Response")),
            Column(say("Check"), numeric=False),
            Column(say("Value")),
            Column(say("Bound")),
            Column(say("Standing"), numeric=False),
            Column(say("What it says"), numeric=False, wrap=True),
        ),
        tuple(
            Row(
                (
                    words(say(RESPONSES[r["response"]])),
                    words(say(CHECKS[r["check"]]) if r["check"] in CHECKS else r["check"]),
                    figure(r["value"], 3),
                    figure(r["bound"], 3),
                    words(standing[r["passed"]], strong=r["passed"] is False),
                    words(stored_words(r, catalogue)),
                )
            )
            for r in checks.iter_rows(named=True)
        ),
        " ".join(
            filter(
                None,
                (
                    checks_finding(checks["passed"].count(), int(checks["passed"].sum())),
                    of_an_earlier_shift(checks),
                ),
            )
        ),
    )
    traced = warehouse.query("data_health").row(0, named=True)
    quality = say(
        "Mean trace quality is {quality} of 1: about that part of a load's mass is expected to be in the "
        "minutes it is traced to.",
        quality=number(traced["trace_quality"], 2),
    )
    return Section(
        "methods",
        say("Methods and data quality"),
        (
            *(Prose(say(m)) for m in METHODS),
            Prose(quality),
            *earlier_note(FIT_CHECK, product_status(warehouse, FIT_CHECK)),
            table,
        ),
    )
