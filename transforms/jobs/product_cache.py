"""Cache of weekly cross-products and warm starts on disk, local or on object storage."""

import io
import json
from zipfile import BadZipFile

import numpy as np

from transforms.mixed_model.reml import WarmStart
from transforms.model.product_files import pack_week, unpack_week
from transforms.model.weekly_products import Week
from transforms.parallel import Executor, serial
from transforms.storage.lake import LakePath, write_bytes_atomic


class ProductCache:
    """A folder of weekly cross-products and warm starts, each under the fingerprint of its inputs.

    `used` has the keys requested or written since the cache was opened; `remove_unused` removes all other files.
    `weeks_written` counts the weeks written since then.
    """

    def __init__(self, folder: LakePath, executor: Executor = serial) -> None:
        self._folder = folder
        self.executor = executor
        self.used: set[str] = set()
        self.weeks_written = 0

    def week(self, key: str) -> Week | None:
        """Return a cached week; None if it is not cached or its file is damaged."""
        self.used.add(key)
        path = self._folder / f"{key}.npz"
        if not path.exists():
            return None
        try:
            with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as stored:
                return unpack_week(stored)
        except (OSError, ValueError, KeyError, BadZipFile):
            return None

    def store_week(self, key: str, week: Week) -> None:
        """Write a week atomically, so that no reader sees a partial file.

        Args:
            key: fingerprint of the week's inputs; names the file.
            week: its cross-products by class of measurement variance.
        """
        self.weeks_written += 1
        body = io.BytesIO()
        np.savez(body, allow_pickle=False, **pack_week(week))
        write_bytes_atomic(body.getvalue(), self._folder / f"{key}.npz")

    def start(self, key: str) -> WarmStart | None:
        """Return a cached warm start; None if it is not cached or its file is damaged."""
        self.used.add(key)
        try:
            stored = json.loads((self._folder / f"{key}.json").read_text("utf-8"))
            return {str(k): float(v) for k, v in stored["variances"].items()}, float(stored["residual"])
        except (OSError, ValueError, KeyError, AttributeError, TypeError):
            return None

    def store_start(self, key: str, start: WarmStart) -> None:
        """Write a warm start without rounding.

        Args:
            key: fingerprint of the rows from which it was found; names the file.
            start: (variance of each block and factor, residual variance).
        """
        body = json.dumps({"variances": start[0], "residual": start[1]})
        write_bytes_atomic(body.encode(), self._folder / f"{key}.json")

    def remove_unused(self) -> None:
        """Remove weeks and warm starts that no fit has requested since the cache was opened."""
        for path in [*self._folder.glob("*.npz"), *self._folder.glob("*.json")]:
            if path.stem not in self.used:
                path.unlink()
