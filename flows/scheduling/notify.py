"""Notifications: new alarms are sent as JSON to a command or a webhook."""

import json
import shlex
import subprocess
import urllib.request
from dataclasses import asdict
from typing import Any

from transforms.config.runtime import Notify
from transforms.operations.alarms import Alarm

TIMEOUT_S = 30.0


def select_new_alarms(alarms: list[Alarm], reported: list[Alarm]) -> list[Alarm]:
    """Return the alarms that the last notification did not contain."""
    known = {(a.kind, a.subject) for a in reported}
    return [a for a in alarms if (a.kind, a.subject) not in known]


def notify(alarms: list[Alarm], season: str, workspace: str, job: str, to: Notify) -> list[str]:
    """Send alarms to the command and the webhook of `to`.

    Returns:
        One sentence per failed delivery.
    """
    if not alarms:
        return []
    body = {"season": season, "workspace": workspace, "job": job, "alarms": [asdict(a) for a in alarms]}
    text, failures = json.dumps(body), []
    if to.command:
        try:
            # Without a shell, text in the alarms cannot be executed.
            words, silent = shlex.split(to.command), subprocess.DEVNULL
            subprocess.run(words, input=text, text=True, timeout=TIMEOUT_S, check=True, stdout=silent, stderr=silent)  # noqa: S603
        except (OSError, ValueError, subprocess.SubprocessError) as problem:
            failures.append(f"the command did not accept the alarms ({type(problem).__name__})")
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
        return [f"the webhook did not accept the alarms ({type(problem).__name__})"]
