"""Messages of alarms, of faults of publishing and of the endings of scheduled runs."""

from reports.language.translate import Counted, mark, mark_n

ALARMS: dict[str, str | Counted] = {
    "rejected_rows": mark("{bad} of {rows} rows of {kind} were rejected ({pct:.1f} %)"),
    "rejected_rows_unknown": mark("{bad} of {rows} rows of files of unknown kind were rejected ({pct:.1f} %)"),
    "failed_read": mark("{file} was not read: {failure}; the next run tries once more"),
    "failed_read_quarantined": mark("{file} was not read: {failure}; it will not be read again"),
    "silent_machine": mark("{machine_id} has logged nothing for {hours:.0f} h, but other machines have"),
    "stale_tares": mark("lab results are {hours:.0f} h behind the newest load"),
    "failed_check": mark(
        "a check of the fit of {response} failed ({check}: {why}); look at the fit before you follow its advice"
    ),
    "failed_run": mark("the run {run} failed: {detail}"),
    "unpublished": mark("pages are not all published in {folder}: {what}; {remedy}"),
}
PUBLISHING: dict[str, str | Counted] = {
    "publish_folder_missing": mark("the folder is missing"),
    "publish_folder_missing_remedy": mark("create or mount it, or correct [publish] folder in season.toml"),
    "publish_not_writable": mark("the folder cannot be written"),
    "publish_not_writable_remedy": mark("run 'chmod u+rwx {folder}', or correct its owner"),
    "publish_unmounted": mark("none of the pages published earlier is in the folder"),
    "publish_unmounted_remedy": mark("mount it; if the pages were deleted on purpose, delete {record}"),
    "publish_foreign_files": mark_n(
        "{n} file there was written or changed by others ({files})",
        "{n} files there were written or changed by others ({files})",
    ),
    "publish_foreign_files_remedy": mark("move them away; the next run publishes the pages of these names"),
    "publish_file_not_writable": mark("a file there cannot be written"),
    "publish_file_not_writable_remedy": mark("correct the permissions of {folder}"),
    "publish_full": mark("its disk is full"),
    "publish_full_remedy": mark("free space there; the next run continues"),
    "publish_failed": mark("copying failed ({detail})"),
    "publish_failed_remedy": mark("check the folder; the next run continues"),
}
