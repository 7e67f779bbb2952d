"""Messages of the reasons of intake: rejected rows, unreadable files, and notes on how files were read."""

from reports.language.reason_messages.intake_formats import FORMATS
from reports.language.translate import Counted, mark, mark_n

ROWS = {
    "column_empty": mark("{column} is empty"),
    "below_minimum": mark("{column} is below {bound:,g}"),
    "not_above_bound": mark("{column} is not above {bound:,g}"),
    "above_maximum": mark("{column} is above {bound:,g}"),
    "value_not_a_number": mark("{column} is not a number"),
    "value_not_finite": mark("{column} is not finite"),
    "delivered_unknown": mark(
        "the ticket has neither the delivered weight (with soil) nor both weights of the truck; a clean weight alone "
        "does not suffice"
    ),
    "truck_not_above_empty": mark("the truck with its load does not weigh more than the empty truck"),
    "truck_load_too_heavy": mark("the weights of the full and the empty truck differ by more than 60 t"),
    "weights_disagree": mark("the delivered weight is not the weight of the full truck less that of the empty truck"),
    "clean_above_delivered": mark("the clean weight is above the delivered weight (with soil)"),
    "weighed_before_leaving": mark("the weighing time is not after the time it left the field"),
    "sand_and_clay_exceed_100": mark("sand and clay together are above 100 %"),
    "lowest_above_highest": mark("the lowest air temperature is above the highest"),
    "audit_without_result": mark("the audit has no count, no mass and no loss"),
    "audit_without_plot": mark(
        "the size of the plot is not known: it needs an area, a length with the number of rows, or the number of roots"
    ),
    "classes_exceed_broken": mark("the broken tips by diameter are more than all broken tips"),
    "parts_exceed_root_loss": mark("lost tips and lost whole roots together are more than the root loss"),
    "check_without_result": mark("the root check has no measurement"),
    "check_without_link": mark("the root check names no load, machine or field"),
    "place_unknown": mark("the place is none of tank, pile and yard"),
    "sampling_reason_unknown": mark("the reason of sampling is neither random nor looks"),
    "topping_exceeds_checked": mark("the roots in the classes of topping are more than the roots checked"),
    "breaks_exceed_checked": mark("the roots with a broken tip are more than the roots checked"),
    "damage_exceeds_checked": mark("the damaged roots are more than the roots checked"),
    "position_not_fixed": mark("the position is 0, 0: the receiver had none"),
    "text_too_long": mark("{column} is longer than {max_bytes} bytes"),
    "text_has_nul_bytes": mark("{column} contains NUL bytes: it was damaged before it was received"),
    "not_a_time": mark("'{column}' is not a time of the form {form} in {time_zone}"),
    "unknown_word": mark("'{column}' is none of {words}"),
    "word_not_known": mark(
        "'{column}' contains '{word}', which is none of {words}; add it to the words of the mapping"
    ),
    "key_not_in_lookup": mark("the mapping has no value of {column} for '{key}'; add one"),
    "not_a_step": mark("'{column}' is not a number between the steps {low:g} and {high:g} of the mapping"),
    "not_a_number": mark("'{column}' is not a number with the decimal mark of the mapping"),
    "same_key_twice": mark("{key} occurs earlier in this file with other values; the first was taken"),
    "records_expired": mark(
        "the records of this machine and day have expired and only their bins are stored, so it is unknown whether "
        "this record is new"
    ),
}
"""Reasons for rejecting a row because of its values."""
FILES = {
    "no_mapping": mark("no mapping matches this file; create one with 'taretrace map'"),
    "id_stated_for_all": mark(
        "mapping '{mapping}' states {column} {value} for all its files, but '{text}' in this file's name may mean "
        "another one: narrow 'files' to those of {value}, read the id from the name with file_name, or add "
        "for_all_files = true to [columns.{column}]"
    ),
    "mappings_overlap": mark(
        "the mappings {mappings} read the same rows as {file_kind}, so none was used: narrow 'files' or 'sheet' of one "
        "of them, or remove it"
    ),
    "missing_column": mark("there is no column '{column}'; the file has {columns}"),
    "missing_columns": mark("at least one of the columns {missing} is needed; the file has {columns}"),
    "unit_unknown": mark("the file does not state the unit of '{column}'; name it in the mapping"),
    "unit_mismatch": mark(
        "'{column}' has the unit '{unit}', which cannot be converted to '{stored_unit}'; correct it in the mapping"
    ),
    "not_in_file_name": mark("{column} should be in the file's name, and is not"),
    "not_in_preamble": mark("{column} should be in a line above the header, and is not"),
    "not_in_sheet_name": mark("{column} should be in the name of the sheet '{sheet}', and is not"),
    "reader_failed": mark("{why}; send it in another format, or in parts"),
    "reader_too_slow": mark("reading it took more than {max_s:.0f} s"),
    "reader_processor_time": mark("reading it took too much processor time"),
    "reader_memory_exceeded": mark("reading it took more than {max_gb:.1f} GB of memory"),
    "reader_out_of_memory": mark("there was not enough memory to read it"),
    "reader_killed": mark("the process that read it ended with {signal}"),
    "reader_exited": mark("the process that read it ended with exit code {exit_code}"),
    "reader_panicked": mark("the library that read it failed ({place})"),
    "internal_error": mark("the program failed on it ({place}); report it"),
    "file_has_nul_bytes": mark("the file contains NUL bytes: it is not a text table"),
    "too_few_lines": mark("the file has fewer than two lines: there is nothing to propose from"),
    "no_sheet_with_table": mark("no sheet of the workbook contains a table"),
    "no_separator": mark("no separator splits the lines into cells"),
    "no_header_found": mark("no line of the file looks like column names"),
}
"""Reasons for rejecting a whole file, in any format."""
INBOX = {
    "inbox_link": mark("it is a link; put the file itself here"),
    "inbox_hidden": mark("its name starts with a dot: it is hidden or still being copied"),
    "inbox_not_a_file": mark("it is not a regular file"),
    "inbox_name_not_text": mark("its name is not valid text; rename it"),
    "inbox_unreadable": mark("it cannot be read ({detail})"),
}
"""Reasons for skipping an entry of the inbox."""
NOTES: dict[str, str | Counted] = {
    "in_part": mark("{part}: {why}"),
    "mapping_not_fitting": mark("mapping '{mapping}' matches the file's name but does not read it: {why}"),
    "sheet_not_read": mark("no mapping reads the sheet '{sheet}'; create one with 'taretrace map'"),
    "mapping_changed_without_copy": mark(
        "its mapping changed after the file left the inbox, and there is no copy: its rows are of the earlier mapping"
    ),
    "repeated_column_name": mark(
        "{n} columns are named '{name}'; '{name}' means the first of them, '{name} (2)' the second"
    ),
    "repeated_column_names": mark_n(
        "{n} name of columns occurs several times", "{n} names of columns occur several times"
    ),
    "values_below_limit": mark_n(
        "{n} value of {source} is stated as below a limit and was read as that limit",
        "{n} values of {source} are stated as below a limit and were read as that limit",
    ),
    "times_in_repeated_hour": mark_n(
        "{n} time of '{column}' is in the hour that clocks repeat, and its pass is not certain (it is {first}); give "
        "such times with their offset from UTC",
        "{n} times of '{column}' are in the hour that clocks repeat, and their pass is not certain (the first is "
        "{first}); give such times with their offset from UTC",
    ),
}
"""Notes on how a file was read, in any format."""
AUDITS = {
    "audit_spacing_unknown": mark(
        "{n} audits of rows of a length have no loss (the first is {audit_id}): neither the file nor the lists of "
        "fields and machines have the spacing of the rows"
    ),
    "audit_pieces_exceed_plants": mark(
        "{n} audits have more broken and whole roots than plants stood on the plot (audit {audit_id}: {pieces:.0f} of "
        "{plants:.0f}); check the plot, or whether the counts are of another area"
    ),
    "audit_loss_exceeds_yield": mark(
        "{n} audits lose more than half of the yield (audit {audit_id}: {pct:.0f} %); check the plot and the units"
    ),
    "audit_counts_below_masses": mark(
        "in {n} audits, the broken tips counted weigh {ratio:.1f} times less than stated: they may be of a sample of "
        "roots; then map the number of these roots"
    ),
    "audit_counts_above_masses": mark(
        "in {n} audits, the broken tips counted weigh {ratio:.1f} times more than stated: they may be of a larger area"
    ),
    "audit_counts_few": mark(
        "all {n} audits have fewer broken tips than 1 in 50 plants of the plot (at most {pct:.1f} %): they may be of a "
        "sample of roots; then map the number of these roots"
    ),
}
"""Notes on the dig-behind audits of a file."""

INTAKE: dict[str, str | Counted] = {**ROWS, **FILES, **INBOX, **NOTES, **AUDITS, **FORMATS}
