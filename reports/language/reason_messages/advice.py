"""Messages of the reasons of `advice`."""

from reports.language.translate import Counted, mark, mark_n

ADVICE: dict[str, str | Counted] = {
    "move_in_conditions": mark(
        "{wetness_class} topsoil on {soil_class} soil; {n} loads of the fleet in such conditions"
    ),
    "dirt_for_roots": mark("raises dirt, saves roots: worth it at these prices"),
    "roots_for_dirt": mark("costs roots, saves dirt: worth it at these prices"),
    "damages_more": mark("damages more roots: worth it at these prices"),
    "part_between_visits": mark(
        "compared between days of {machines} machines that ran with both; what else changed on those days is part of it"
    ),
    "part_wet_weather": mark(
        "not certain: one part ran on wetter days than the other (topsoil wetness differs by {gap:.2f})"
    ),
    "part_loss_unknown": mark("not certain: too few audits compare the root loss of the two parts"),
    "part_unsure": mark("not certain: the comparison between days leaves open which part is better"),
    "offset_lasts": mark("the difference lasts from day to day"),
    "offset_none": mark("no lasting difference"),
    "offset_few_days": mark("too few days: at least {days} are needed"),
    "advice_withheld": mark("no advice for this shift, by lot, to measure what advice saves"),
    "promises_too_high": mark("less certain than the fit alone: advice of this season saved less than it promised"),
    "no_change_better": mark("no tested change is better with sufficient certainty"),
    "advice_too_few_loads": mark("too few loads of the fleet on {soil_class} soil with {wetness_class} topsoil"),
    "guide_too_few_loads": mark("too few loads: {fleet} in the fleet, {generation} of this type"),
    "visits_within_intervals": mark("95 % of visits in these conditions are within the intervals"),
    "usual_without_topping_effect": mark("keep the usual value: its effect on topping cannot be estimated"),
    "usual_without_loss_effect": mark("keep the usual value: its effect on root loss cannot be estimated"),
    "no_clear_optimum": mark("no clear optimum: keep the usual value"),
    "best_of_tried": mark("lowest expected cost of the values tried"),
    "roots_too_warm_to_pile": mark("roots warmer than {limit_c:.1f} °C"),
    "loses_more_than_healthy": mark("loses more sugar a day than healthy roots"),
    "rots_before_sliced": mark("rot sets in before the planned days are over"),
    "loses_like_upper_half": mark("loses as much sugar a day as the upper half of healthy roots"),
    "loses_little": mark("loses no more sugar a day than the lower half of healthy roots"),
    "fleet_has_few_loads": mark_n(
        "the fleet has only {n} load on {soil_class} soil with {wetness_class} topsoil",
        "the fleet has only {n} loads on {soil_class} soil with {wetness_class} topsoil",
    ),
    "setting_not_tried": mark("{setting} was not tried in such conditions"),
    "parts_not_together": mark("no machine ran with these parts together"),
    "condition_seen_only": mark("{condition} was only from {low:.3g} to {high:.3g} this season"),
    "setting_tried_only": mark("{setting} was tried only from {low:.3g} to {high:.3g} in such conditions"),
}
