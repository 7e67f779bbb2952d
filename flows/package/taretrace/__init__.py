"""Read-only Python access to a season: `season = taretrace.open("my-season")`, then tables, SQL, effects and what-if.

A guide with examples is in `flows/PYTHON.md`; the code is in `flows/api/`.
"""

from flows.api.season_reader import SeasonReader, open_season
from flows.api.what_if import WhatIf
from transforms.errors import WorkspaceError

open = open_season  # noqa: A001 (its name for users, always with the module: taretrace.open)

__all__ = ["SeasonReader", "WhatIf", "WorkspaceError", "open"]
