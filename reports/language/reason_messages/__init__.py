"""Messages of the reasons that tables store as codes: one message for each code, and one code for each message.

Fields in braces are the reason's arguments, with Python's format of numbers. `reports/language/reason_text.py` inserts
them.
"""

from collections.abc import Mapping

from reports.language.reason_messages.advice import ADVICE
from reports.language.reason_messages.alarms import ALARMS, PUBLISHING
from reports.language.reason_messages.benchmark import BENCHMARK
from reports.language.reason_messages.health import HEALTH
from reports.language.reason_messages.intake import INTAKE
from reports.language.reason_messages.joins import JOINS
from reports.language.reason_messages.model import MODEL
from reports.language.reason_messages.proposal import PROPOSAL
from reports.language.reason_messages.trace import TRACE
from reports.language.reason_messages.trial import TRIAL
from reports.language.reason_messages.variation import VARIATION
from reports.language.translate import Counted, mark

EARLIER = {"earlier_text": mark("{text}")}
"""Sentences stored before reasons had codes; they are shown as they were written."""

AREAS: dict[str, Mapping[str, str | Counted]] = {
    "earlier": EARLIER,
    "intake": INTAKE,
    "joins": JOINS,
    "model": MODEL,
    "trace": TRACE,
    "benchmark": BENCHMARK,
    "advice": ADVICE,
    "trial": TRIAL,
    "variation": VARIATION,
    "proposal": PROPOSAL,
    "alarms": ALARMS,
    "publishing": PUBLISHING,
    "health": HEALTH,
}
MESSAGES: dict[str, str | Counted] = {code: message for area in AREAS.values() for code, message in area.items()}
"""Code -> message."""
