"""Messages of the reasons of `trace`."""

TRACE: dict[str, str] = {}
