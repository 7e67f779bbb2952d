"""Messages of the reasons of `advice`."""

ADVICE: dict[str, str] = {}
