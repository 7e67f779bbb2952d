"""Schedule of the jobs in local time of the season: cron lines for Prefect and the most recent due times."""

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from transforms.config.workspace import Season

POST_SHIFT, REFIT, COMPARE, SEASON_END = "post-shift", "nightly-refit", "weekly-benchmark", "season-end"
REPORT_FAILURE = "report-failure"
"""The flow that reports a failed run; automations start it."""
WHOLE = "whole"
"""The complete job that a person starts without a schedule."""
CRON_DAYS = ("MON", "TUE", "WED", "THU", "FRI", "SAT", "SUN")


@dataclass(frozen=True)
class Slot:
    """Local time at which a job is due: every day, on one weekday, or on one date."""

    job: str
    at: dt.time
    weekday: int | None = None
    date: dt.date | None = None

    @property
    def cron(self) -> str:
        """Cron line of five fields; cron repeats a date every year, unlike `last_before`."""
        day, month = (self.date.day, self.date.month) if self.date else ("*", "*")
        weekday = "*" if self.weekday is None else CRON_DAYS[self.weekday]
        return f"{self.at.minute} {self.at.hour} {day} {month} {weekday}"

    def last_before(self, now: dt.datetime, zone: ZoneInfo) -> dt.datetime | None:
        """Return the most recent due time at or before `now`, UTC; None if there is none."""
        today = now.astimezone(zone).date()
        days = [self.date] if self.date else [today - dt.timedelta(days=k) for k in range(8)]
        for day in days:
            due = dt.datetime.combine(day, self.at, zone).astimezone(dt.UTC)
            if due <= now and self.weekday in {None, day.weekday()}:
                return due
        return None


def slots(season: Season) -> list[Slot]:
    """Return every slot of `[schedule]` in season.toml."""
    plan = season.schedule
    planned = [Slot(POST_SHIFT, at) for at in plan.after_shift]
    if plan.refit is not None:
        planned.append(Slot(REFIT, plan.refit))
    if plan.compare is not None:
        planned.append(Slot(COMPARE, plan.compare[1], weekday=plan.compare[0]))
    if plan.season_end is not None:
        planned.append(Slot(SEASON_END, plan.season_end.time(), date=plan.season_end.date()))
    return planned


def last_due_time(job: str, season: Season, now: dt.datetime) -> dt.datetime | None:
    """Return the most recent due time of a job at or before `now`, UTC; None if there is none."""
    zone = ZoneInfo(season.time_zone)
    times = [t for s in slots(season) if s.job == job and (t := s.last_before(now, zone)) is not None]
    return max(times, default=None)
