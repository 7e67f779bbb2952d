"""When jobs are due, by the season's own clock: cron lines for Prefect, and whether a time was missed."""

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from transforms.config.workspace import Season

POST_SHIFT, REFIT, COMPARE, SEASON_END = "post-shift", "nightly-refit", "weekly-benchmark", "season-end"
WHOLE = "whole"
"""What a person calls for who has no schedule."""
CRON_DAYS = ("MON", "TUE", "WED", "THU", "FRI", "SAT", "SUN")


@dataclass(frozen=True)
class Slot:
    """A time a job is due at, every day, on one weekday, or on one date; local."""

    job: str
    at: dt.time
    weekday: int | None = None
    date: dt.date | None = None

    @property
    def cron(self) -> str:
        """The line of five fields; one date recurs every year, which `last_before` does not."""
        day, month = (self.date.day, self.date.month) if self.date else ("*", "*")
        weekday = "*" if self.weekday is None else CRON_DAYS[self.weekday]
        return f"{self.at.minute} {self.at.hour} {day} {month} {weekday}"

    def last_before(self, now: dt.datetime, zone: ZoneInfo) -> dt.datetime | None:
        """Return the last time at or before `now` that this was due, UTC; None where there was none."""
        today = now.astimezone(zone).date()
        days = [self.date] if self.date else [today - dt.timedelta(days=k) for k in range(8)]
        for day in days:
            due = dt.datetime.combine(day, self.at, zone).astimezone(dt.UTC)
            if due <= now and self.weekday in {None, day.weekday()}:
                return due
        return None


def slots(season: Season) -> list[Slot]:
    """Return every time of `[schedule]`."""
    plan = season.schedule
    out = [Slot(POST_SHIFT, at) for at in plan.after_shift]
    if plan.refit is not None:
        out.append(Slot(REFIT, plan.refit))
    if plan.compare is not None:
        out.append(Slot(COMPARE, plan.compare[1], weekday=plan.compare[0]))
    if plan.season_end is not None:
        out.append(Slot(SEASON_END, plan.season_end.time(), date=plan.season_end.date()))
    return out


def due_before(job: str, season: Season, now: dt.datetime) -> dt.datetime | None:
    """Return the last time at or before `now` that a job was due, UTC."""
    zone = ZoneInfo(season.time_zone)
    times = [t for s in slots(season) if s.job == job and (t := s.last_before(now, zone)) is not None]
    return max(times, default=None)
