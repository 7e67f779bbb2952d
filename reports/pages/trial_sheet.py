"""Printable sheet that an operator follows in a split-run trial."""

from pathlib import Path

from reports.language.display_units import DisplayUnits
from reports.language.labels import capital, setting_label
from reports.language.translate import say, use_language
from reports.page.html import render
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Season
from transforms.contracts.naming import safe_name
from transforms.trial.plan import Trial


def write_trial_sheet(trial: Trial, season: Season, out: Path) -> Path:
    """Write the sheet of a trial and return its path."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    unit = season.catalogue[trial.setting].unit
    with use_language(season.locale, season.texts):
        a, b = (shown.quantity(v, unit) for v in trial.values)
        rows = [{"pair": i // 2 + 1, "arm": arm, "value": a if arm == "A" else b} for i, arm in enumerate(trial.order)]
        return render(
            "trial.html.j2",
            out / f"trial-{safe_name(trial.trial_id)}.html",
            trial=trial,
            a=a,
            b=b,
            rows=rows,
            label=capital(setting_label(trial.setting, season.catalogue)),
            day=shown.day(trial.shift_date),
            caution=say(CAUTION),
        )
