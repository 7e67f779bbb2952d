"""Messages of the reasons of `benchmark`, of withheld figures and of suggested trials."""

from reports.language.translate import mark

NOT_COMPARED = {
    "few_loads": mark("too few loads: {measured} measured and traced well, at least {needed} are needed"),
    "same_as_machine": mark("cannot be distinguished from the machine: each has one operator"),
    "no_own_effect": mark("its own effect cannot be estimated"),
}
WITHHELD = {
    "too_few_others": mark("fewer than {others} others are measured, so their figures could be inferred"),
    "dominated": mark("one or two others have most of the loads, so their figures could be inferred"),
    "too_few_compared": mark("fewer than {compared} are compared, so individual figures could be inferred"),
    "shared_owners": mark("some of those compared have the same owner, whose figures could be inferred"),
    "too_far_apart": mark("those compared differ too much, so individual figures could be inferred"),
}
OPEN_QUESTIONS = {
    "open_confounded": mark("confounded"),
    "open_wide_interval": mark("interval too wide"),
    "open_not_tried": mark("not tried enough"),
}
BENCHMARK = {**NOT_COMPARED, **WITHHELD, **OPEN_QUESTIONS}
