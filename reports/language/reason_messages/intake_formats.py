"""Messages of the reasons of intake that belong to one file format."""

from reports.language.translate import mark

TEXT = {
    "encoding_unknown": mark("the encoding '{encoding}' is not known; name the file's encoding"),
    "header_line_empty": mark("line {line} should contain the column names and is empty"),
    "header_line_too_long": mark("a line above the rows is longer than {max_bytes} bytes; it is not a header"),
    "header_not_in_encoding": mark("the header is not {encoding} text ({detail}); name its encoding"),
    "header_has_nul_bytes": mark("the header contains NUL bytes: it is damaged or not a text table"),
    "header_too_many_columns": mark("the header has {columns} columns; at most {max_columns}"),
    "line_too_long": mark("the line is {length} bytes long, longer than any row"),
    "line_not_in_encoding": mark("the line contains bytes that are not text in the mapped encoding"),
    "line_has_nul_bytes": mark("the line contains NUL bytes: it was damaged before it was received"),
    "quotes_unpaired": mark("the quotes of the line do not pair up"),
    "uneven_row": mark("the row has more or fewer cells than the header: it is cut short, or not data"),
    "not_ghcn": mark("the first line is not a GHCN-Daily reading, comma-separated or of fixed width"),
    "not_a_reading": mark("the line is not a reading of the layout"),
    "quality_flag": mark("the value failed one of the archive's own quality checks"),
}
"""Delimited text and climate archives."""
WORKBOOKS = {
    "not_a_workbook": mark("the file cannot be opened as a workbook; save the workbook again"),
    "workbook_doctype": mark("the workbook declares a document type: no program that writes workbooks does"),
    "workbook_part_damaged": mark("'{part}' in the workbook is damaged; save the workbook again"),
    "workbook_part_too_large": mark("'{part}' in the workbook is larger than {max_mb} MB"),
    "too_many_sheets": mark("the workbook has {sheets} sheets; at most {max_sheets}"),
    "impossible_text_count": mark(
        "the workbook claims to contain {claimed} texts, more than it can; save the workbook again"
    ),
    "no_such_sheet": mark("there is no sheet '{wanted}'; the workbook has {sheets}"),
    "sheet_unreadable": mark("the sheet '{sheet}' cannot be read; save the workbook again"),
    "sheet_too_many_columns": mark("the sheet '{sheet}' has {columns} columns; at most {max_columns}"),
    "sheet_header_empty": mark("row {row} of sheet '{sheet}' should contain the column names and is empty"),
    "sheet_lacks_column": mark("the sheet has no column '{column}' and was not read"),
    "impossible_cell": mark("the sheet '{sheet}' has a cell at '{cell}', outside any sheet; save the workbook again"),
    "impossible_row": mark(
        "the sheet '{sheet}' has a row numbered '{row}', outside any sheet; save the workbook again"
    ),
    "impossible_place": mark(
        "the sheet '{sheet}' has a cell at row {row}, column {column}, outside any sheet; save the workbook again"
    ),
    "stray_cell": mark(
        "the sheet '{sheet}' reaches to cell {cell} and spans {cells} cells, of which only {filled_cells} are filled; "
        "clear that stray cell and save the workbook again"
    ),
    "sheets_too_large": mark("sheets up to '{sheet}' span {cells} cells; at most {max_cells} are read"),
}
PARQUET = {
    "not_parquet": mark("the file cannot be opened as Parquet; it is damaged or cut short"),
    "file_too_many_columns": mark("the file has {columns} columns; at most {max_columns}"),
    "row_group_too_large": mark("a row group of the file is larger than {max_gb} GB; write it in smaller ones"),
    "parquet_cut_short": mark("the file is damaged: its rows cannot be read to the end"),
    "parquet_rows_damaged": mark("the file is damaged: its rows cannot be read"),
    "parquet_texts_damaged": mark("the file is damaged: the texts of '{column}' cannot be read"),
    "row_not_utf8": mark("the row contains bytes that are not UTF-8 text"),
    "column_type": mark("the column '{column}' contains values of the type {type}: save it as numbers or text"),
    "batch_text_too_large": mark(
        "200,000 rows of '{column}' contain more than {max_mb} MB of text, more than any export does"
    ),
}
GEOJSON = {
    "not_geojson": mark("the file is not GeoJSON ({detail})"),
    "no_feature_collection": mark("the file does not contain a FeatureCollection"),
    "not_wgs84": mark("the file is in another coordinate system ({crs}); save it as WGS 84, longitude and latitude"),
    "file_too_large": mark("the file is larger than {max_mb} MB; split it"),
    "feature_too_long": mark("a feature is longer than {max_millions} million characters"),
    "too_many_properties": mark("the features have more than {max_properties} properties; save fewer"),
    "outlines_too_many_points": mark("the outlines have more than {max_points} points; split the file"),
    "outline_too_many_points": mark("the outline has {points} points; at most {max_points}"),
    "outline_crosses_itself": mark("the outline crosses itself more often than {max_crossings} times; draw it again"),
    "geometry_unreadable": mark("the geometry cannot be read"),
    "not_a_polygon": mark("the geometry is not a polygon in longitude and latitude"),
    "property_not_unicode": mark("'{column}' is not valid Unicode text"),
}
GPX = {
    "gpx_without_points": mark("the file contains no point of a track"),
    "gpx_doctype": mark("the file declares a document type; no receiver writes one, and it is not read"),
    "gpx_damaged": mark("the file is damaged or cut short from here on ({detail})"),
    "gpx_too_deep": mark("the file has more than {max_depth} elements inside each other, more than any track"),
    "gpx_time": mark("the time is not of the form 2025-10-14T08:00:00Z"),
    "gpx_is_positions": mark("GPX tracks have rows of truck positions only"),
}
ARCHIVES = {
    "not_an_archive": mark("the file cannot be opened as a zip archive; it is damaged or cut short"),
    "archive_too_many_members": mark("the archive has {members} members; at most {max_members}"),
    "archive_too_large": mark(
        "the archive would unpack {packed_bytes} bytes to {unpacked_bytes}, more than any export does; it is not "
        "unpacked"
    ),
    "archive_path": mark("the archive contains a path outside its folder ('{path}'); it is not read"),
    "archive_locked": mark("the archive is locked with a password; send it without"),
    "member_damaged": mark("'{member}' is damaged and cannot be unpacked"),
    "member_too_large": mark("'{member}' is larger than {max_mb} MB"),
}
TASK_DATA = {
    "no_task_data": mark("the archive contains no TASKDATA.XML; other archives are not read: unpack them first"),
    "too_many_sets": mark("the archive contains {sets} TASKDATA.XML; at most {max_sets}"),
    "task_data_is_telemetry": mark("task data has rows of telemetry only"),
    "task_data_too_large": mark("the task data has more than {max_mb} MB of XML"),
    "task_data_doctype": mark("'{file}' declares a document type; no machine writes one, and it is not read"),
    "not_xml": mark("'{file}' is damaged or cut short ({detail})"),
    "read_as_cp1252": mark("'{file}' is not in the encoding it declares; read as cp1252"),
    "linked_file_missing": mark("the file '{file}' that TASKDATA names is missing"),
    "xml_too_many_elements": mark(
        "the task data has more than {max_elements} elements, {max_depth} inside each other, or {max_attributes} "
        "attributes; no machine writes such a file"
    ),
    "xml_too_many_devices": mark(
        "the task data has more than {max_elements} elements of devices and tasks; no machine writes such a file"
    ),
    "xml_element_too_long": mark(
        "the task data has an element longer than {max_bytes} bytes; no machine writes such a file"
    ),
    "too_many_logs": mark("the task data names more than {max_logs} logs or {max_devices} devices"),
    "log_without_header": mark("log {log} has no header in the task data"),
    "log_without_records": mark("log {log} has no records in the task data"),
    "log_too_many_values": mark("the log's header names {values} values; at most {max_values}"),
    "log_changed": mark("the log has records that were missing when it was opened"),
    "too_many_days": mark("the log's date changes more than {max_days} times"),
    "device_name_too_long": mark("the name of the log's device is longer than {max_bytes} bytes"),
    "stray_bytes": mark("{skipped_bytes} bytes at {offset} are not a record and were skipped"),
    "logs_differ": mark("{part} has another value of '{column}' at the same instant; that one was taken"),
    "position_in_every_record": mark("every record contains every position field, contrary to the header"),
    "unit_differs": mark("value {value:d} ('{element}') is in {unit}, others are in {other_unit}; it is not read"),
    "device_scale_taken": mark(
        "the device's scale and the dictionary's differ for value {value:d} ('{element}'); the device's was taken as "
        "the more plausible: set scale_by in the mapping to decide"
    ),
    "dictionary_scale_taken": mark(
        "the device's scale and the dictionary's differ for value {value:d} ('{element}'); the dictionary's was taken "
        "as the more plausible: set scale_by in the mapping to decide"
    ),
}
CLOCKS = {
    "zone_by_satellites": mark("local time is {hours:+g} h from UTC, by satellite time"),
    "zone_of_task": mark("local time is {hours:+g} h from UTC, as stated by the task's own times"),
    "zone_by_task_start": mark("local time is {hours:+g} h from UTC, by the start of the task"),
    "zone_of_mapping": mark("local time is taken as {zone}, as the mapping states"),
    "zone_of_mapping_instead": mark(
        "local time is taken as {zone}, as the mapping states ({why}, which does not fit any time zone)"
    ),
    "zone_unknown": mark(
        "the task data does not state the offset of its local time from UTC; name time_zone in the mapping"
    ),
    "zone_contradictory": mark(
        "the task data does not state the offset of its local time from UTC ({why}, which does not fit any time zone); "
        "name time_zone in the mapping"
    ),
    "machine_clock_wrong": mark(
        "the machine's clock is {minutes:+.1f} min from UTC, which does not fit any time zone; satellite time is used"
    ),
    "satellite_time_varies": mark("satellite time differs by {minutes:+.1f} min, and not constantly"),
    "satellite_date_differs": mark(
        "satellite time differs by {days:+,.1f} days, so the date of the machine or of its receiver is wrong"
    ),
    "zone_unlike_position": mark(
        "local time is {hours:+g} h from UTC, but the sun at longitude {lon_deg:.1f}° is {sun_hours:+.1f} h from it: "
        "check the machine's clock and time_zone of the mapping"
    ),
    "task_start_differs": mark("the log begins {minutes:+.1f} min from the start of its task"),
}
"""Clocks of task data."""

FORMATS = {**TEXT, **WORKBOOKS, **PARQUET, **GEOJSON, **GPX, **ARCHIVES, **TASK_DATA, **CLOCKS}
