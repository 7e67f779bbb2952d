"""Messages of the reasons of `benchmark`."""

BENCHMARK: dict[str, str] = {}
