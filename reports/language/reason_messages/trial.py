"""Messages of the reasons of `trial`."""

TRIAL: dict[str, str] = {}
