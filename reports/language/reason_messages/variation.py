"""Messages of the reasons of `variation`."""

from reports.language.translate import mark

VARIATION: dict[str, str] = {
    "vary_possible": mark("may be varied by plan"),
    "vary_not_tried": mark("too few loads with this setting in such conditions"),
    "vary_cost_unknown": mark("what a change may cost is not estimated"),
    "vary_narrow_range": mark("less than two steps were tried in such conditions"),
    "vary_base_outside": mark("the present value is more than a step outside the values to vary between"),
    "vary_against_move": mark("the advised change is too certain to go back on it"),
    "vary_not_measured": mark("no load measures an effect of this setting"),
    "vary_no_value": mark("knowing more is not worth its cost"),
    "vary_less_value": mark("two other settings are more worth knowing"),
    "vary_too_few_loads": mark("the machine lifts fewer than two loads a day"),
    "vary_file_read": mark("Designed variation. Leave this file as it is; after the shift: taretrace vary read {plan}"),
    "vary_file_load": mark("load {n}"),
    "pair_counts": mark("the pair counts as varied by plan"),
    "pair_incomplete": mark("the second load of the pair is missing"),
    "pair_across_fields": mark("the two loads are from different fields"),
    "pair_untraced": mark("the log has no value of the setting for one of the loads"),
    "pair_difference_small": mark("the values set differ by less than half of the plan"),
}
