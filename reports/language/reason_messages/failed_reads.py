"""Words for reads of files that failed, by the code that the record of failed reads stores."""

from reports.language.translate import mark, say

FAILED_READS: dict[str, str] = {
    "reader_died": mark("the process that read it ended"),
    "reader_memory": mark("reading it took too much memory"),
    "reader_time": mark("reading it took too long"),
    "system_error": mark("disk or network reported an error"),
    "internal_error": mark("the program failed on it"),
}


def failed_read_words(code: str) -> str:
    """Return the cause of a failed read in words; its code if it has none."""
    return say(FAILED_READS[code]) if code in FAILED_READS else code
