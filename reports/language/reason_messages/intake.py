"""Messages of the reasons of `intake`."""

INTAKE: dict[str, str] = {}
