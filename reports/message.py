"""Message about a run: the shift page with its heading as subject, and new alarms."""

from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from reports.language.bidi import without_isolates
from reports.language.translate import say, say_n, use_language
from reports.page.head import read_date_line, read_heading, read_lead, read_title
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Season
from transforms.operations.publish import Publication


@dataclass(frozen=True)
class Message:
    """Text of a message, and the page to attach.

    Attributes:
        subject: one line.
        text: plain text.
        attachment: the file to attach; None for none.
    """

    subject: str
    text: str
    attachment: Path | None = None


def choose_attachment(pages: list[Path], attach: str | None) -> Path | None:
    """Return the page to attach.

    Args:
        pages: the files that a run wrote for one page, HTML first.
        attach: `pdf`, `html` or `none`; None for the PDF if the run wrote one, else the HTML page.
    """
    by_suffix = {p.suffix: p for p in reversed(pages)}
    if attach == "none":
        return None
    return by_suffix.get(".html") if attach == "html" else by_suffix.get(".pdf") or by_suffix.get(".html")


def _page_paragraphs(page: Path, season: Season, published: Publication | None, *, is_attached: bool) -> list[str]:
    """Return day, answer, address and caution of a shift page; the address only if the page is there."""
    is_there = published is not None and published.fault is None and season.publish.address
    link = f"{season.publish.address}/{quote(page.name)}" if is_there else ""
    attached = say("The page is attached.") if is_attached else ""
    return [read_date_line(page) or "", read_lead(page) or "", link, attached, say(CAUTION)]


def run_message(
    pages: list[Path], alarms: list[str], season: Season, published: Publication | None = None
) -> Message | None:
    """Return the message about a run; None if there is neither a shift page nor an alarm.

    Args:
        pages: the files of the shift page that the run wrote, HTML first; empty if it wrote none.
        alarms: the sentences of its new alarms.
        season: the season, with language, attachment and address of the published pages.
        published: outcome of publishing the page; None if it was not published.
    """
    if not pages and not alarms:
        return None
    with use_language(season.locale, season.texts):
        count = say_n("{n} alarm", "{n} alarms", len(alarms))
        subject = say("{season}: {alarms}", season=season.name, alarms=count)
        paragraphs = ["\n".join(f"- {a}" for a in alarms)] if alarms else []
        attachment = None
        if pages:
            subject = read_heading(pages[0]) or read_title(pages[0]) or season.name
            attachment = choose_attachment(pages, season.notify.attach)
            about = _page_paragraphs(pages[0], season, published, is_attached=attachment is not None)
            paragraphs = [*about, *paragraphs, season.name]
    text = "\n\n".join(p for p in paragraphs if p)
    return Message(without_isolates(" ".join(subject.split())), without_isolates(text), attachment)


def sample_message(season: Season) -> Message:
    """Return the message that tests the recipients."""
    with use_language(season.locale, season.texts):
        subject = say("Test message of taretrace: {season}", season=season.name)
        text = say("This is a test. After each shift, the shift page comes to this address.")
    return Message(without_isolates(" ".join(subject.split())), without_isolates(text))
