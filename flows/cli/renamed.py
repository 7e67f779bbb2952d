"""Former names of commands, which keep working: each prints one line with the new name, and is not in the help."""

from flows.cli.options import HERE, Folder, Json, OpenPage, PageOptions, Pdf, Wait, Xlsx
from flows.cli.output import complain
from flows.cli.report import report_app
from flows.cli.translate import translate
from flows.runtime.verbosity import VERBOSITY
from reports.language.translate import say


def note_new_name(old: str, new: str) -> None:
    """Print the new name of a command on standard error, unless quiet."""
    if not VERBOSITY.is_quiet:
        complain(say("'taretrace {old}' is now 'taretrace {new}'; the old name still works", old=old, new=new))


def report_fleet(
    folder: Folder = HERE,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    as_json: Json = False,
    is_opened: OpenPage = False,
) -> None:
    """Write the fleet page; the new name is `taretrace benchmark --page`."""
    from flows.cli.decision_pages import write_benchmark_page

    note_new_name("report fleet", "benchmark --page")
    write_benchmark_page(folder, PageOptions(True, pdf, xlsx, is_opened), wait, as_json=as_json)


def report_what_if(folder: Folder = HERE, wait: Wait = 0, as_json: Json = False, is_opened: OpenPage = False) -> None:
    """Write the page with sliders; the new name is `taretrace what-if --page`."""
    from flows.cli.decision_pages import write_what_if_page

    note_new_name("report what-if", "what-if --page")
    write_what_if_page(folder, wait, is_opened=is_opened, as_json=as_json)


def report_texts(folder: Folder = HERE, as_json: Json = False) -> None:
    """Write the catalogue of all English texts; the new name is `taretrace translate`."""
    note_new_name("report texts", "translate")
    translate(folder, as_json)


def register_renamed() -> None:
    """Add the former names to the group `report`."""
    for name, command in (("fleet", report_fleet), ("what-if", report_what_if), ("texts", report_texts)):
        report_app.command(name=name, hidden=True)(command)
