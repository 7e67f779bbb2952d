"""Messages of `map`: reasons for a proposed mapping, and questions about it."""

from reports.language.translate import Counted, mark, mark_n

LAYOUT: dict[str, str | Counted] = {
    "format_by_name": mark("{form_name}, from the file name"),
    "format_defines_columns": mark("defined by the file format"),
    "begins_as_ghcn": mark("the first line is a GHCN-Daily reading"),
    "begins_as_geojson": mark("the file begins like GeoJSON"),
    "track_without_name": mark("the tracks have no name, so the file's name is read as the truck"),
    "utf16_by_mark": mark("UTF-16, from the byte order mark"),
    "utf8_by_bytes": mark("UTF-8: all bytes are valid"),
    "separator_splits": mark("the separator is {separator}: it splits most lines into the same number of cells"),
    "utf16_by_zeros": mark("{encoding}: every other byte is zero"),
    "encoding_by_letters": mark("the encoding is {encoding}, by words such as {words}"),
    "encoding_by_answer": mark("the encoding is {encoding}, your answer"),
    "sheets_with_table": mark("the table is in sheet {sheet}"),
    "header_below_lines": mark_n(
        "line {line} is the header; the {n} line above it is not part of the table",
        "line {line} is the header; the {n} lines above it are not part of the table",
    ),
    "header_of_two_rows": mark("the header has two rows: names below names that span several columns"),
    "unit_row_below": mark("the row below the header contains units"),
    "two_number_marks": mark("'{example}' has two marks, of which the last is the decimal mark"),
    "thousands_as_in": mark("thousands are separated as in '{example}'"),
    "no_decimal_mark": mark("no number has a decimal mark"),
    "decimal_mark_as_in": mark("the decimal mark is '{decimal}', as in '{example}'"),
}
COLUMNS: dict[str, str | Counted] = {
    "your_answer": mark("your answer"),
    "your_answer_for_file": mark("your answer: one value for the whole file"),
    "your_answer_scale": mark("your answer: the scale of the machine"),
    "your_answer_unit": mark("{unit}, your answer"),
    "in_file_name": mark("it is in the file name"),
    "name_matches": mark("the name matches '{phrase}'"),
    "mean_of_sides": mark("mean of left and right"),
    "date_and_clock": mark("date in '{source}', time of day in '{clock}'"),
    "times_have_form": mark("the times have the format {form}"),
    "times_have_zone": mark("the times include their time zone"),
    "in_preamble": mark("'{value}', from the lines above the header"),
    "times_are_numbers": mark("the times are numbers in the format {form}"),
    "zone_of_column_name": mark("times in {zone}, from the column name"),
    "unit_as_other": mark("{unit}, as your answer for {column}"),
    "one_sample_per_ticket": mark("each ticket has one lab result"),
    "weights_full_less_empty": mark("'{full}' less '{less}' is '{rest}': full truck, empty truck, delivered"),
    "weights_delivered_less_dirt": mark("'{full}' less '{less}' is '{rest}': delivered, dirt, clean"),
    "weights_gross_beside_empty": mark("'{full}' and '{empty}' are the weights of the full and the empty truck"),
    "weights_net_of_dirt": mark("'{net}' is {pct:.0f} % of '{gross}': the truck is in neither"),
    "weights_net_of_truck": mark("'{net}' is {pct:.0f} % of '{gross}', which includes the truck"),
    "words_known": mark_n("{n} word", "{n} words"),
    "only_unit": mark("{unit} is the only unit for such values"),
    "unit_of_unit_row": mark("{unit}, from the unit row ('{text}')"),
    "unit_of_column_name": mark("{unit}, from the column name ('{text}')"),
    "percent_of_unit_row": mark("percent, from the unit row"),
    "percent_of_column_name": mark("percent, from the column name"),
}
QUESTIONS: dict[str, str | Counted] = {
    "ask_kind": mark("Which kind of data does this file contain?"),
    "ask_kind_of_sheet": mark(
        "Which kind of data does the sheet '{sheet}' contain? Answer '{ignore}' if its rows are not needed."
    ),
    "ask_kind_again": mark("'{name}' is not a kind of file; choose another."),
    "ask_encoding": mark("The file is not UTF-8. Which line is readable? {guesses}"),
    "ask_decimal": mark(
        "Every number with a mark has three digits after it, such as '{example}'. Is '{decimal}' the decimal mark, or "
        "does it separate thousands (then answer '{other}')?"
    ),
    "ask_match": mark("Is '{source}' ({examples}) the {column}? Answer with a column of the file, or '{skip}'."),
    "ask_weight": mark(
        "Is '{source}' ({examples}) the {column}? At a weighbridge, gross is the truck with its load and net the load "
        "with its soil; in the beet trade, gross is the load with its soil and net the clean beet. Answer with a "
        "column of the file, or '{skip}'."
    ),
    "ask_optional": mark("The file {file} lacks {columns}. Read such files too, and leave these values empty?"),
    "ask_ratio": mark("Is the {column} {mass} over {area} (in the middle {value} {unit})? Answer with it, or 'skip'."),
    "lacking_elsewhere": mark("may be missing, as in {file}"),
    "mass_over_area": mark("mass over area"),
    "ask_unplaced": mark("Which value is '{source}' ({examples})? Answer with one of them, or '{ignore}'."),
    "ask_one_of": mark("Which column is the {column}? Or name the column of one of these with --answer: {others}."),
    "ask_column": mark("Which column is the {column}? Answer '=TEXT' for one value in the whole file."),
    "ask_column_or_name": mark(
        "Which column is the {column}? Answer 'name' to take it from the file name (here '{found}'). Answer '=TEXT' "
        "for one value in the whole file."
    ),
    "ask_time_format": mark(
        "Which format do the times of '{source}' ({examples}) have? Answer with a strptime format such as "
        "%d.%m.%Y %H:%M"
    ),
    "ask_time_rival": mark("The times of '{source}' ({examples}) fit several formats; which one is right?"),
    "ask_time_zone": mark(
        "The times do not include a time zone. Which time zone are they in? (an IANA time zone, or UTC)"
    ),
    "ask_state": mark("What does the state '{word}' mean?"),
    "ask_place": mark("What does the place '{word}' mean?"),
    "ask_flag": mark("What does '{word}' mean for {column}?"),
    "ask_full_scale": mark("'{source}' is in percent, {column} in {stored}: how many {stored} is 100 %?"),
    "ask_full_scale_again": mark("'{answer}' is not a number: how many {stored} is 100 %?"),
    "ask_unit": mark(
        "In which unit is '{source}' ({values})? Or give the scale of the machine as 'steps 1=30, 9=70', in {stored}."
    ),
    "ask_unit_mismatch": mark(
        "'{source}' has the unit '{text}' in {place}, which does not fit {column}; in which unit is it ({values})? Or "
        "give the scale of the machine as 'steps 1=30, 9=70', in {stored}."
    ),
    "ask_unit_implausible": mark(
        "'{source}' is said to be in {unit}, but then its median is {median:g} {stored}; in which unit is it "
        "({values})? Or give the scale of the machine as 'steps 1=30, 9=70', in {stored}."
    ),
    "ask_unit_again": mark("'{answer}' cannot become {stored}; choose a unit."),
    "values_between": mark("values from {low:g} to {high:g}"),
    "no_values": mark("no values"),
    "place_unit_row": mark("the unit row"),
    "place_column_name": mark("the column name"),
}
MAPPING_FILE: dict[str, str | Counted] = {
    "proposed_by_map": mark("Proposed by 'taretrace map' from {file}; edit as needed."),
    "column_sure": mark("{pct:.0f} % sure: {reasons}"),
    "columns_not_read": mark("Columns not read: {columns}"),
}
PROPOSAL = {**LAYOUT, **COLUMNS, **QUESTIONS, **MAPPING_FILE}
