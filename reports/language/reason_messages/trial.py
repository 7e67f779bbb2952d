"""Messages of the reasons of `trial`."""

from reports.language.translate import mark

TRIAL_FILE = {
    "trial_file_tickets": mark(
        "A split-run trial. Write the weigh tickets into tickets in the order of lifting, an empty text for a lost one."
    ),
    "trial_file_search": mark("If tickets is empty, the loads are found by machine, field and day."),
    "part_trial_file_dates": mark(
        "A trial of fitted parts. Write the date of each day (YYYY-MM-DD) into dates in the order of the list, an "
        "empty text for a lost one."
    ),
    "part_trial_file_search": mark("If dates is empty, the days are the first of the machine from the first day on."),
}
"""Sentences of a trial's file."""
TRIAL: dict[str, str] = {
    **TRIAL_FILE,
    "b_dirtier": mark("B is dirtier than A"),
    "b_cleaner": mark("B is cleaner than A"),
    "b_higher": mark("higher with B than with A"),
    "b_lower": mark("lower with B than with A"),
    "no_difference_shown": mark("no difference is shown; the interval shows how large one may still be"),
    "trial_too_few_pairs": mark("too few pairs are measured: {measured} of {planned}; at least {needed} are needed"),
    "trial_traced": mark("used, they differ by {share_pct:.0f} % of the planned difference"),
    "trial_not_traced": mark("not used, {traced} pairs have them; at least {needed} are needed"),
    "trial_traced_too_little": mark(
        "not used, they differ by only {share_pct:.0f} % of the planned difference; at least {needed_pct:.0f} % are "
        "needed"
    ),
    "trial_traced_uneven": mark("not used, they differ too unevenly from pair to pair"),
    "trial_may_stop": mark("enough to stop early"),
    "trial_carry_on": mark("not enough to stop early; go on as planned"),
    "trial_ended": mark("the trial is complete"),
    "trial_file_load": mark("load {n}: {setting} at {value} {unit}"),
    "trial_file_flag": mark("load {n}: {setting}: {state}"),
    "part_trial_file_day": mark("day {n}: {part}"),
    "part_trial_size": mark(
        "{pairs} pairs of days on {machines} machines, {days} days of each; {changes} changes in the workshop cost "
        "{cost:,.0f}"
    ),
    "trial_within_a_day": mark("this machine lifts about {loads:.0f} loads a day"),
    "trial_flag_over_days": mark(
        "this machine lifts about {loads:.0f} loads a day, so it takes {days} days; one day's loads would detect a "
        "change of {detectable_pct:.0f} %"
    ),
    "trial_over_days": mark(
        "this machine lifts about {loads:.0f} loads a day, so it takes {days} days; one day's loads would detect a "
        "change of {detectable_pct:.0f} %; a larger step (--to) needs fewer loads"
    ),
}
