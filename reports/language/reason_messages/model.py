"""Messages of the reasons of `model`."""

from reports.language.translate import mark

EFFECTS = {
    "effect_within_visits": mark("measured association within visits"),
    "effect_confounded": mark("confounded: between visits the sign is the other way; the within contrast is shown"),
    "effect_few_loads": mark("too few loads: {measured} measured, at least {needed} are needed"),
    "effect_hardly_moved": mark("not tried: it hardly moved within a visit"),
    "effect_one_machine": mark("not tried: one machine only"),
    "change_from_usual": mark("change from {usual:.4g} {unit}"),
    "change_beside_usual": mark("change from {usual:.4g} {unit}, with {beside}"),
    "setting_at_usual": mark("{setting} at its usual {value:.4g} {unit}"),
    "few_visits_near": mark("too few visits within one step of this value"),
    "part_confounded": mark(
        "compared between days before and after a change of parts: weather and crop may differ; a trial would settle it"
    ),
    "part_confounded_wetness": mark(
        "confounded with wet weather: topsoil wetness differs by {gap:.2f} between days with the two parts; a trial "
        "would settle it"
    ),
    "part_by_lot": mark("known: {pairs} pairs of days with the two parts, by lot"),
    "part_one_machine": mark("only one machine changed parts"),
    "no_interaction": mark("no evidence that the effect changes with it"),
    "interaction": mark("the effect changes with it"),
}
COMPARISONS = {
    "no_sign_flip": mark("no sign flips"),
    "sign_flips_pooled": mark("the sign is the other way pooled: operators set by what they see"),
    "sign_flips_between": mark("the sign is the other way between visits: operators set by what they see"),
    "sign_flips_pooled_and_between": mark(
        "the sign is the other way pooled and between visits: operators set by what they see"
    ),
    "larger_between": mark("between visits it seems larger than within"),
    "smaller_between": mark("between visits it seems smaller than within"),
}
SHARES = {
    "share_of_variance": mark("share of variance"),
    "share_on_boundary": mark("share of variance; a variance in it is at the zero boundary"),
    "shares_few_loads": mark("too few loads to divide the variance"),
    "source_left_out": mark("not estimated separately: {why}"),
    "only_one": mark("there is only one"),
    "one_per_row": mark("every row has its own"),
    "same_as_factor": mark("cannot be distinguished from {factor}"),
}
CHECKS = {
    "placebo_without_effect": mark("the next load's settings have no effect, as expected"),
    "placebo_with_effect": mark(
        "the next load's settings seem to matter: drivers react to the load before, or loads are traced to a "
        "neighbour's minutes; read the effects with care and confirm them by a trial"
    ),
    "placebo_few_loads": mark("too few loads follow each other within a visit"),
    "error_on_unseen_fields": mark(
        "the error on fields left out is {ratio:.3f} times gradient boosting's ({rows} rows)"
    ),
    "error_on_unseen_weeks": mark("the error on weeks left out is {ratio:.3f} times gradient boosting's ({rows} rows)"),
    "error_to_last_load": mark("the error is {ratio:.2f} times that of predicting the last load's value"),
    "few_fields_to_leave_out": mark("too few fields to leave some out"),
    "few_weeks_to_leave_out": mark("too few weeks to leave some out"),
    "few_fields": mark("fewer than five fields"),
    "few_machines": mark("fewer than five machines"),
    "influence_of_field": mark(
        "without field {field_id} the effect of {setting} moves by {standard_errors:.1f} standard errors"
    ),
    "influence_of_machine": mark(
        "without machine {machine_id} the effect of {setting} moves by {standard_errors:.1f} standard errors"
    ),
    "robust_to_model_errors": mark(
        "standard errors clustered by machine and by day are up to {ratio:.2f} times the model's standard errors"
    ),
    "follows_wetness": mark("{setting} follows wetness most from visit to visit (correlation {correlation:.2f})"),
    "no_condition_varies": mark("no condition varies"),
    "tails": mark("{far_pct:.2f} % of rows lie beyond 3.5 standard deviations (a normal distribution: 0.05 %)"),
    "tails_huberised": mark(
        "{far_pct:.2f} % of rows lie beyond 3.5 standard deviations (a normal distribution: 0.05 %); their influence "
        "was limited, which moved effects by at most {standard_errors:.1f} standard errors"
    ),
    "site_day_means": mark(
        "the variance of a factory's daily mean residuals is {ratio:.2f} times the variance expected"
    ),
    "few_successive_loads": mark("too few loads follow each other in a visit"),
    "successive_unrelated": mark("residuals of successive loads in a visit are unrelated (z = {z:.1f})"),
    "successive_related": mark(
        "{share_pct:.0f} % of the residual variance lasts from load to load of a visit (z = {z:.1f}), but settings do "
        "not follow it: effects hold unless operators react within a visit more than {holds_pct:.0f} % as strongly as "
        "between visits"
    ),
    "successive_reaction": mark(
        "{share_pct:.0f} % of the residual variance lasts from load to load of a visit (z = {z:.1f}), and settings "
        "seem to follow it: intervals are widened for it; without that, they would hold unless operators react within "
        "a visit more than {holds_pct:.0f} % as strongly as between visits"
    ),
    "sensors_reliable": mark("no sensor shows noise that differs from load to load"),
    "sensors_noisy": mark(
        "of what {setting} shows within a visit, {reliable_pct:.0f} % is movement and the rest noise of the sensor: "
        "effects are corrected for it"
    ),
    "values_exact": mark("values are rounded too finely to matter, and none is stated for all values below it"),
    "values_rounded": mark("values are rounded to {step_pct:g} % and fitted as intervals"),
    "values_limited": mark(
        "no value below {floor_pct:g} % is stated: the {share_pct:.0f} % of values there are fitted as upper limits"
    ),
    "values_rounded_limited": mark(
        "values are rounded to {step_pct:g} % and fitted as intervals; none below {floor_pct:g} % is stated: the "
        "{share_pct:.0f} % of values there are fitted as upper limits"
    ),
    "few_unmeasured_loads": mark("too few visits have both sampled and unsampled loads"),
    "sampled_at_random": mark("sampled loads are expected to be as dirty as the others of their visits (z = {z:.1f})"),
    "sampled_if_dirty": mark(
        "sampled loads are expected to be {excess_pct:.1f} % dirtier than all loads of their visits (z = {z:.1f}): if "
        "loads are picked by their looks, effects are understated"
    ),
    "sampled_if_clean": mark(
        "sampled loads are expected to be {excess_pct:.1f} % cleaner than all loads of their visits (z = {z:.1f}): if "
        "loads are picked by their looks, effects are understated"
    ),
    "few_audits_in_classes": mark("no class of wetness and soil has enough audits of the total and of both its parts"),
    "loss_parts_agree": mark(
        "lost tips and whole roots add up to the root loss in every class within their errors (largest difference "
        "z = {z:.1f})"
    ),
    "loss_parts_disagree": mark(
        "on {soil_class} soil with {wetness_class} topsoil the root loss is {total_t_ha:.1f} t/ha, but lost tips and "
        "whole roots add up to {parts_t_ha:.1f} t/ha (z = {z:.1f}): audits that state only the total, or only a part, "
        "may be of other plots or in another unit"
    ),
    "no_site": mark("no site is known"),
    "few_site_days": mark("too few days of a factory with five loads"),
    "bootstrap_coverage": mark(
        "{covered_pct:.0f} % of {intervals} intervals cover the true coefficient in data simulated from this fit"
    ),
    "model_too_large_for_bootstrap": mark("not simulated: the model is too large; see METHODS.md"),
    "last_season_used": mark("this season contradicts last season for no setting: last season's effects are used"),
    "last_season_partly": mark(
        "last season's effects are used for {used} of {n} settings; this season contradicts them for {setting}"
    ),
    "last_season_contradicted": mark("this season contradicts last season for every setting: last season is not used"),
    "last_season_agrees": mark("agrees with this season and is used"),
    "last_season_in_doubt": mark("may differ from this season and is used a little"),
    "last_season_denied": mark("this season contradicts it: it is not used"),
}
MODEL = {**EFFECTS, **COMPARISONS, **SHARES, **CHECKS}
