"""Tells a person of trouble: a program or an address gets the news as JSON."""

import json
import shlex
import subprocess
import urllib.request
from dataclasses import asdict
from typing import Any

from transforms.config.runtime import Notify
from transforms.operations.alarms import Alarm

PATIENCE_S = 30.0


def news(alarms: list[Alarm], told: list[Alarm]) -> list[Alarm]:
    """Return what was not told the last time."""
    known = {(a.kind, a.subject) for a in told}
    return [a for a in alarms if (a.kind, a.subject) not in known]


def notify(alarms: list[Alarm], season: str, workspace: str, job: str, to: Notify) -> list[str]:
    """Hand the news on; return what went wrong with that, in words."""
    if not alarms:
        return []
    body = {"season": season, "workspace": workspace, "job": job, "alarms": [asdict(a) for a in alarms]}
    text, wrong = json.dumps(body), []
    if to.command:
        try:
            # No shell: what stands in the news is never run.
            words, kept = shlex.split(to.command), subprocess.DEVNULL
            subprocess.run(words, input=text, text=True, timeout=PATIENCE_S, check=True, stdout=kept, stderr=kept)  # noqa: S603
        except (OSError, ValueError, subprocess.SubprocessError) as problem:
            wrong.append(f"the command did not take the news ({type(problem).__name__})")
    if to.webhook:
        wrong += _post(to.webhook, text)
    return wrong


def _post(address: str, text: str) -> list[str]:
    headers = {"Content-Type": "application/json"}
    asked: Any = urllib.request.Request(address, text.encode(), headers, method="POST")  # noqa: S310
    try:
        with urllib.request.urlopen(asked, timeout=PATIENCE_S):  # noqa: S310
            return []
    except (OSError, ValueError) as problem:
        return [f"the webhook did not take the news ({type(problem).__name__})"]
