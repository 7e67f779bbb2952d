"""The sheet an operator follows in a split-run trial; made to be printed."""

from pathlib import Path

from reports.page import render
from reports.units import Shown
from reports.words import CAUTION
from transforms.trial.plan import Trial
from transforms.workspace import Season


def write_trial_sheet(trial: Trial, season: Season, out: Path) -> Path:
    """Write the sheet of a trial and return its path."""
    shown = Shown(season.units, season.currency, season.time_zone)
    setting = season.catalogue[trial.setting]
    a, b = (shown.quantity(v, setting.unit) for v in trial.values)
    rows = [{"pair": i // 2 + 1, "arm": arm, "value": a if arm == "A" else b} for i, arm in enumerate(trial.order)]
    return render(
        "trial.html.j2", out / f"trial-{trial.trial_id}.html", trial=trial, label=setting.label, a=a, b=b, rows=rows,
        day=shown.day(trial.shift_date), caution=CAUTION,
    )  # fmt: skip
