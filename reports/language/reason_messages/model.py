"""Messages of the reasons of `model`."""

MODEL: dict[str, str] = {}
