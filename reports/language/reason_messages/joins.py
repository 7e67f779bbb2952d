"""Messages of the checks of joins: findings, likely causes and remedies."""

from reports.language.translate import Counted, mark, mark_n

FINDINGS: dict[str, str | Counted] = {
    "tares_without_load": mark_n(
        "{n} tare of {total} of mapping '{mapping}' ({pct:.0f} %) matches no load: {example}",
        "{n} tares of {total} of mapping '{mapping}' ({pct:.0f} %) match no load, such as {example}",
    ),
    "loads_without_tare": mark_n(
        "{n} load ({sites}) has no tare, though the lab has had time for it: {example}",
        "none of {n} loads ({sites}) has a tare, though the lab has had time for them: {example} and others",
    ),
    "loads_without_field": mark_n(
        "{n} ticket of {total} of mapping '{mapping}' ({pct:.0f} %) names a field that is in no field list: {example}",
        "{n} tickets of {total} of mapping '{mapping}' ({pct:.0f} %) name fields that are in no field list, such as "
        "{example}",
    ),
    "machines_without_list": mark_n(
        "{n} machine in the logs of mapping '{mapping}' is in no machine list, so its work is not read: {machines}",
        "{n} machines in the logs of mapping '{mapping}' are in no machine list, so their work is not read: {machines}",
    ),
    "tickets_of_unknown_machines": mark_n(
        "{n} ticket of {total} of mapping '{mapping}' names a machine that has no logs and is in no list: {example}",
        "{n} tickets of {total} of mapping '{mapping}' name machines that have no logs and are in no list, such as "
        "{example}",
    ),
    "tickets_of_idle_machines": mark_n(
        "{n} ticket of {total} of mapping '{mapping}' names a machine whose logs show no work on that day: load "
        "{load_id}, {machine_id}, {day}",
        "{n} tickets of {total} of mapping '{mapping}' name machines whose logs show no work on that day, such as load "
        "{load_id}, {machine_id}, {day}",
    ),
    "positions_of_unknown_trucks": mark_n(
        "{n} truck of {total} in the positions of mapping '{mapping}' is on no ticket: {example}",
        "{n} trucks of {total} in the positions of mapping '{mapping}' are on no ticket, such as {example}",
    ),
    "positions_without_truck_on_tickets": mark_n(
        "the positions of {n} truck of mapping '{mapping}' cannot be used, because no ticket names a truck",
        "the positions of {n} trucks of mapping '{mapping}' cannot be used, because no ticket names a truck",
    ),
    "tickets_without_positions": mark_n(
        "{n} ticket of {total} of mapping '{mapping}' names a truck without positions, on days when others have them: "
        "{example}",
        "{n} tickets of {total} of mapping '{mapping}' name trucks without positions, on days when others have some: "
        "{example} and others",
    ),
    "weighed_over_lifted": mark_n(
        "weighed mass is {ratio:.3g} times the mass lifted, in {n} field; the usual load is {delivered_t:.3g} t",
        "weighed mass is {ratio:.3g} times the mass lifted, in the median of {n} fields; the usual load is "
        "{delivered_t:.3g} t",
    ),
    "weighed_over_lifted_of_site": mark_n(
        "weighed over lifted mass of site {site_id} is {ratio:.3g} times that of the other sites, in {n} field; its "
        "usual load is {delivered_t:.3g} t",
        "weighed over lifted mass of site {site_id} is {ratio:.3g} times that of the other sites, in the median of {n} "
        "fields; its usual load is {delivered_t:.3g} t",
    ),
    "weighed_over_lifted_of_logs": mark_n(
        "weighed over lifted mass with the logs of mapping '{mapping}' is {ratio:.3g} times that with other logs, in "
        "{n} field",
        "weighed over lifted mass with the logs of mapping '{mapping}' is {ratio:.3g} times that with other logs, in "
        "the median of {n} fields",
    ),
    "weighed_over_lifted_of_list": mark_n(
        "weighed over lifted mass with the yields of mapping '{mapping}' is {ratio:.3g} times that with other field "
        "lists, in {n} field",
        "weighed over lifted mass with the yields of mapping '{mapping}' is {ratio:.3g} times that with other field "
        "lists, in the median of {n} fields",
    ),
    "usual_load_implausible": mark_n(
        "the weight of {n} load of site {site_id} is {delivered_t:.3g} t",
        "the median weight of {n} loads of site {site_id} is {delivered_t:.3g} t",
    ),
    "stated_losses_differ": mark_n(
        "{n} audit of mapping '{mapping}' states a root loss of {stated_t_ha:.2g} t/ha where its plot shows "
        "{measured_t_ha:.2g}",
        "{n} audits of mapping '{mapping}' state a root loss of {stated_t_ha:.2g} t/ha where their plots show "
        "{measured_t_ha:.2g} (medians)",
    ),
    "setting_by_unit": mark_n(
        "{setting} of {n} machine in the logs of mapping '{mapping}' is {value:.3g} (median)",
        "{setting} of {n} machines in the logs of mapping '{mapping}' is {value:.3g} (median)",
    ),
    "yields_implausible": mark_n(
        "the yield of {n} field of mapping '{mapping}' is {yield_t_ha:.3g} t/ha",
        "the median yield of {n} fields of mapping '{mapping}' is {yield_t_ha:.3g} t/ha",
    ),
}
"""Messages on rows that do not join, or figures that do not agree."""
CAUSES: dict[str, str | Counted] = {
    "ids_number_format": mark("a spreadsheet turned the ids into numbers: {example} is {like}"),
    "ids_letter_case": mark("capital and small letters differ: {example} is {like}"),
    "ids_leading_zeros": mark("leading zeros differ: {example} is {like}"),
    "ids_separators": mark("spaces or signs differ: {example} is {like}"),
    "ids_spelling": mark("letter case, signs and leading zeros differ: {example} is {like}"),
    "ids_prefix": mark("a prefix or suffix differs: {example} is {like}"),
    "ids_of_other_column": mark("no spelling makes them match: the ids are probably from another number column"),
    "ids_not_received": mark("the others match: these files are missing, or the ids are mistyped"),
    "list_not_received": mark("no such list has been received"),
    "not_in_list": mark("the list does not have it, or it is another id of the same machine"),
    "tickets_name_no_truck": mark("the mapping of the tickets has no column truck_id, or the tickets have none"),
    "positions_not_received": mark("these trucks have no tracker, or their files are missing"),
    "machine_or_log_wrong": mark("the ticket names another machine, or the log of that day is missing"),
    "truck_in_weight": mark("the weights include the truck (about {excess_t:.0f} t per load)"),
    "truck_in_weight_unknown": mark("the weights include the truck"),
    "unit_misread": mark("figures in {unit} are read as {taken_for}"),
    "decimal_misplaced": mark("the decimal mark is misplaced (factor {factor:g})"),
    "logs_with_gaps": mark("the logs have records for only {pct:.0f} % of their time"),
    "weights_or_yields_wrong": mark(
        "no unit explains it: tickets or logs are missing, or weights or yields are from another column"
    ),
    "column_or_unit_wrong": mark("another column, only a part of it, or another unit"),
}
"""Likely cause."""
FIXES: dict[str, str | Counted] = {
    "choose_id_column": mark(
        "run 'taretrace map {file} -w {folder}' and choose the column with the other source's ids, or edit `from` of "
        "[columns.{column_key}] in mappings/{mapping}.toml"
    ),
    "choose_or_spell_ids": mark(
        "export the ids as text, spelled as in the other source; or choose a column that has them: 'taretrace map "
        "{file} -w {folder}', or `from` of [columns.{column_key}] in mappings/{mapping}.toml"
    ),
    "map_truck_of_tickets": mark(
        "add [columns.truck_id] to mappings/{mapping}.toml with the column of the truck's number, then run 'taretrace "
        "post-shift {folder}'"
    ),
    "send_positions": mark("copy the missing files of positions into {inbox}"),
    "map_the_list": mark("copy the list into the inbox, and run 'taretrace map FILE -w {folder}' on it"),
    "add_to_list": mark("add it to the machine list, then run 'taretrace post-shift {folder}'"),
    "correct_tickets_or_logs": mark(
        "copy the missing log of {machine_id} into {inbox}, or correct [columns.machine_id] in mappings/{mapping}.toml"
    ),
    "correct_log_units": mark(
        "correct `unit` of [columns.ground_speed_kmh] in mappings/{mapping}.toml, or of [columns.row_spacing_cm] of "
        "the machine list, then run 'taretrace post-shift {folder}'"
    ),
    "send_denser_logs": mark(
        "export logs with a record every 30 s or oftener, or add the missing logs, then run 'taretrace post-shift "
        "{folder}'"
    ),
    "correct_unit": mark(
        "correct `unit` of [columns.{column_key}] in mappings/{mapping}.toml, then run 'taretrace post-shift {folder}'"
    ),
    "correct_column_or_unit": mark(
        "correct `from` or `unit` of [columns.{column_key}] in mappings/{mapping}.toml, then run 'taretrace post-shift "
        "{folder}'"
    ),
    "choose_mass_without_truck": mark(
        "in mappings/{mapping}.toml, set `from` of [columns.{column_key}] to the weight without the truck, or replace "
        "it by [columns.truck_full_t] and [columns.truck_empty_t], then run 'taretrace post-shift {folder}'"
    ),
    "correct_weights_or_yields": mark(
        "compare [columns.{column_key}] in mappings/{mapping}.toml and [columns.yield_t_ha] in mappings/{other}.toml "
        "with the files, then run 'taretrace post-shift {folder}'"
    ),
}
"""Command, or mapping file and key to edit."""
JOINS = {**FINDINGS, **CAUSES, **FIXES}
