"""Tests; a package, so that it is found before the `tests` that an installed library brings along."""
