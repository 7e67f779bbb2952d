"""Messages of the checks of `doctor`, and remedies."""

from reports.language.translate import Counted, mark, mark_n

REMEDIES: dict[str, str | Counted] = {
    "nothing_to_do": mark("nothing to do"),
    "run_init": mark("run 'taretrace init {folder}'"),
    "run_repair": mark("run 'taretrace repair {folder}'"),
    "run_post_shift": mark("run 'taretrace post-shift {folder}'"),
    "map_each_kind": mark("run 'taretrace map FILE' on one file of each kind of export"),
    "map_each_sheet": mark(
        "run 'taretrace map FILE' for the sheet if its rows are needed; 'taretrace status' names it"
    ),
    "run_shell": mark("run '{command}'"),
    "fix_at": mark("{where}: {remedy}"),
    "free_disk": mark("free up space: a shift needs about 1 GB"),
    "set_clock": mark("set the clock of this machine, or of the machine that writes the files (timedatectl)"),
    "lock_is_released": mark("nothing to do: its lock is released"),
    "next_run_cleans": mark("nothing to do: the next run cleans up and continues"),
    "next_run_retries": mark("nothing to do: the next run retries it"),
    "mount_or_permit": mark("mount its disk, or give this user permission to read it"),
    "report_and_restore": mark("report this; restore a backup in the meantime"),
    "send_otherwise": mark(
        "provide the file in another format or in parts, change its mapping, or remove it from the inbox"
    ),
    "spell_ids_alike": mark("spell each id the same way in all files; 'taretrace status' lists these groups"),
    "keep_or_leave_out": mark(
        "if it is a set point, nothing to do: its readings are used; if the sensor is faulty, have it repaired, or "
        "remove its column from the mapping; 'taretrace status' lists these sensors"
    ),
    "mount_or_repair": mark("mount its disk, or run 'taretrace repair {folder}'"),
    "delete_unknown": mark("nothing to do; delete them if no run wrote them"),
    "put_back_or_restore": mark("put them back in the inbox, or restore a backup"),
    "put_back": mark("put these files back in the inbox"),
    "repair_or_map": mark("run 'taretrace repair {folder}' to restore it, or 'taretrace map FILE' to create another"),
}
WORKSPACE: dict[str, str | Counted] = {
    "workspace_missing": mark("the folder {folder} is missing"),
    "season_read": mark_n("'{name}', {time_zone}, {n} factory", "'{name}', {time_zone}, {n} factories"),
    "mappings_read": mark_n("{n} mapping can be read", "{n} mappings can be read"),
    "no_mappings": mark("there are no mappings"),
    "folder_not_writable": mark("{folder} cannot be written ({detail})"),
    "open_to_others": mark("other users can access {folder} (mode {mode})"),
    "only_this_user": mark("only this user can access the workspace"),
    "disk_nearly_full": mark("only {free_gb:.1f} GB are free"),
    "disk_free": mark("{free_gb:.0f} GB are free"),
    "log_is_later": mark("the log's last line is dated {latest_at} UTC, but the clock shows {now_at}"),
    "inbox_is_later": mark("the inbox's newest file is dated {latest_at} UTC, but the clock shows {now_at}"),
    "clock_right": mark("{now_at} UTC; no stored timestamp is later"),
    "run_died": mark("a run died while it used the workspace"),
    "run_is_using": mark("'taretrace {command}' (process {process}, since {since}) is using the workspace"),
    "other_run_is_using": mark("another run is using the workspace"),
    "no_run": mark("no run is using the workspace"),
    "ingest_interrupted": mark("a run was interrupted while it ingested files"),
    "publish_fault": mark("{folder}: {what}"),
    "published_with_growers": mark("pages are copied to {folder}, with growers' sheets"),
    "published_without_growers": mark("pages are copied to {folder}, without growers' sheets"),
}
INSTALLATION: dict[str, str | Counted] = {
    "runs_from_sources": mark("taretrace runs from a source folder, Python {python}"),
    "install_to_check": mark("install it with 'pip install .' so that its libraries can be checked"),
    "libraries_wrong": mark("taretrace {version}, Python {python}: {libraries}"),
    "library_version": mark("{library} {version} is not {required}"),
    "library_missing": mark("{library} is missing"),
    "python_too_old": mark("Python is older than {required}"),
    "install_libraries": mark("run 'pip install -r requirements.txt'"),
    "libraries_right": mark("taretrace {version}, Python {python}, all libraries have compatible versions"),
    "server_answers": mark("the server at {address} answers"),
    "server_silent": mark("no server answers at PREFECT_API_URL = {address}"),
    "start_server": mark("start it, or unset PREFECT_API_URL to let taretrace start its own"),
    "home_missing": mark("its home does not exist yet"),
    "first_run_creates": mark("the first run creates it"),
    "home_intact": mark("its home in the workspace is intact ({size_mb:.0f} MB)"),
    "home_damaged": mark("{database} is damaged"),
    "delete_home": mark("run 'rm -r {folder}': the next run creates it again; only the history of runs is lost"),
    "cluster_silent": mark("{address} does not answer ({detail})"),
    "start_cluster": mark("start 'dask scheduler' there and install requirements-cluster.txt here"),
    "no_workers": mark("there are no workers"),
    "workers_differ": mark_n("{n} worker, with version {versions}", "{n} workers, with versions {versions}"),
    "start_workers": mark("start workers that have taretrace {version} installed"),
    "workers_right": mark_n("{n} worker of this version at {address}", "{n} workers of this version at {address}"),
    "addresses_wrong": mark("incomplete, or of an unknown service: {addresses}"),
    "correct_season": mark("correct it in season.toml"),
    "addresses_complete": mark_n(
        "{n} address is complete; 'taretrace notify --test' sends a message",
        "{n} addresses are complete; 'taretrace notify --test' sends a message",
    ),
    "address_of_notify": mark("address {place} of [notify] to ({service}://...)"),
    "language_read": mark("texts are shown in {locale}"),
}
STORED: dict[str, str | Counted] = {
    "nothing_ingested": mark("no file has been ingested yet"),
    "lake_unreadable": mark("the lake cannot be read ({detail})"),
    "checks_fail": mark("checks fail: {names}"),
    "rows_of_check": mark_n("{name} ({n} row)", "{name} ({n} rows)"),
    "joins_fit": mark("tares, loads, fields, machines and logs fit together"),
    "files_received": mark_n("{n} file received; all checks pass", "{n} files received; all checks pass"),
    "read_failed_once": mark("'{file}' was not read: {failure}"),
    "read_failed_twice": mark("'{file}' is in quarantine, because reading it failed twice: {failure}"),
    "files_without_mapping": mark_n(
        "no mapping matches {n} received file: {file}", "no mapping matches {n} received files, such as {file}"
    ),
    "sheets_not_read": mark_n(
        "no mapping reads {n} sheet of the received workbooks, '{sheet}' in {file}",
        "no mapping reads {n} sheets of the received workbooks, such as '{sheet}' in {file}",
    ),
    "ids_look_alike": mark_n(
        "{n} group of ids looks alike: {kind} {written}", "{n} groups of ids look alike, such as {kind} {written}"
    ),
    "sensors_flagged_on_most_days": mark_n(
        "{n} sensor is flagged on most days: {setting} of machine {machine_id} ({flagged} of {days} days); is it a set "
        "point?",
        "{n} sensors are flagged on most days, such as {setting} of machine {machine_id} ({flagged} of {days} days); "
        "are they set points?",
    ),
    "lake_absent": mark_n(
        "{lake} is missing or empty, but {n} file of it is recorded",
        "{lake} is missing or empty, but {n} of its files are recorded",
    ),
    "lake_files_missing": mark_n("{n} file is missing: {file}", "{n} files are missing, such as {file}"),
    "lake_files_altered": mark_n("{n} file is altered: {file}", "{n} files are altered, such as {file}"),
    "marker_damaged": mark("the list of files being ingested is damaged"),
    "lake_files_unknown": mark_n(
        "{n} file is not recorded and not used: {file}", "{n} files are not recorded and not used, such as {file}"
    ),
    "lake_whole": mark("every recorded file is present and unaltered"),
    "lake_whole_expired": mark_n(
        "every recorded file is present and unaltered; the records of {n} machine-day have expired",
        "every recorded file is present and unaltered; the records of {n} machine-days have expired",
    ),
    "records_missing": mark_n(
        "the records of {n} file are missing: {file}", "the records of {n} files are missing, such as {file}"
    ),
    "copies_damaged": mark_n(
        "{n} copy is missing or damaged: {file}", "{n} copies are missing or damaged, such as {file}"
    ),
    "received_left_inbox": mark_n(
        "{n} received file is no longer in the inbox; its copy is kept",
        "{n} received files are no longer in the inbox; their copies are kept",
    ),
    "received_gone": mark_n(
        "{n} received file is neither in the inbox nor copied: {file}; it cannot be reread",
        "{n} received files are neither in the inbox nor copied, such as {file}; they cannot be reread",
    ),
    "received_whole": mark_n("{n} file can be reread", "{n} files can be reread"),
    "mapping_missing": mark_n(
        "the mapping '{name}' is missing; {n} file was read with it",
        "the mapping '{name}' is missing; {n} files were read with it",
    ),
    "mapping_changed": mark_n(
        "{n} file was read with a mapping that has changed since ({file}), and neither the file nor its copy exists",
        "{n} files were read with a mapping that has changed since, such as {file}, and neither the files nor their "
        "copies exist",
    ),
    "logs_damaged": mark_n("{n} log has unreadable lines: {file}", "{n} logs have unreadable lines, such as {file}"),
}
HEALTH = {**REMEDIES, **WORKSPACE, **INSTALLATION, **STORED}
_LABELS = (
    mark("installation"),
    mark("workspace"),
    mark("folders"),
    mark("permissions"),
    mark("disk"),
    mark("clock"),
    mark("season.toml, mappings"),
    mark("mappings"),
    mark("publish"),
    mark("locks"),
    mark("lake"),
    mark("log"),
    mark("warehouse"),
    mark("joins"),
    mark("inbox"),
    mark("ids"),
    mark("sensors"),
    mark("received files"),
    mark("cluster"),
    mark("notify"),
    mark("language"),
)
"""Subjects of the checks; others are names."""
STATES = {"fine": mark("fine"), "note": mark("note"), "wrong": mark("wrong")}
"""State of a finding -> its word."""
