"""Notifications: new alarms are sent as JSON to a command or a webhook."""

import json
import shlex
import subprocess
import urllib.request
from typing import Any

from reports.language.bidi import without_isolates
from reports.language.reason_text import format_reason
from reports.language.translate import say
from transforms.config.runtime import Notify
from transforms.config.settings_catalogue import Catalogue
from transforms.operations.alarms import Alarm

TIMEOUT_S = 30.0


def select_new_alarms(alarms: list[Alarm], reported: set[tuple[str, str]]) -> list[Alarm]:
    """Return the alarms that the last notification did not contain; `reported` has the kind and subject of each."""
    return [a for a in alarms if (a.kind, a.subject) not in reported]


def alarm_row(alarm: Alarm, catalogue: Catalogue | None = None) -> dict[str, str]:
    """Return an alarm with its message as a sentence, as notifications and the log contain it."""
    says = without_isolates(format_reason(alarm.why, catalogue))
    return {"kind": alarm.kind, "subject": alarm.subject, **alarm.why.columns, "says": says}


def notify(
    alarms: list[Alarm], season: str, workspace: str, job: str, to: Notify, catalogue: Catalogue | None = None
) -> list[str]:
    """Send alarms to the command and the webhook of `to`.

    Returns:
        One sentence per failed delivery.
    """
    if not alarms:
        return []
    body = {"season": season, "workspace": workspace, "job": job, "alarms": [alarm_row(a, catalogue) for a in alarms]}
    text, failures = json.dumps(body), []
    if to.command:
        try:
            # Without a shell, text in the alarms cannot be executed.
            words, silent = shlex.split(to.command), subprocess.DEVNULL
            subprocess.run(words, input=text, text=True, timeout=TIMEOUT_S, check=True, stdout=silent, stderr=silent)  # noqa: S603
        except (OSError, ValueError, subprocess.SubprocessError) as problem:
            problem_name = type(problem).__name__
            failures.append(say("the command did not accept the alarms ({problem})", problem=problem_name))
    if to.webhook:
        failures += _post(to.webhook, text)
    return failures


def _post(address: str, text: str) -> list[str]:
    headers = {"Content-Type": "application/json"}
    request: Any = urllib.request.Request(address, text.encode(), headers, method="POST")  # noqa: S310
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_S):  # noqa: S310
            return []
    except (OSError, ValueError) as problem:
        return [say("the webhook did not accept the alarms ({problem})", problem=type(problem).__name__)]
