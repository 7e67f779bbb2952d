"""Fits kept on disk for the next command, which need not fit again if nothing they depend on has changed.

A file is read by an unpickler that knows only the classes of a fit, so that no file can run a command.
"""

import hashlib
import pickle
from collections.abc import Iterable
from importlib import import_module
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import polars as pl

from transforms.model.fit_result import ResponseFit
from transforms.storage.lake import write_bytes_atomic

OWN = ("transforms.mixed_model.", "transforms.model.", "transforms.contracts.", "transforms.config.")
"""Packages whose classes may be in a file."""
FOREIGN = {
    ("builtins", "slice"),
    ("datetime", "date"),
    ("numpy", "dtype"),
    ("numpy", "ndarray"),
    ("numpy._core.multiarray", "_reconstruct"),
    ("numpy._core.multiarray", "scalar"),
    ("numpy._core.numeric", "_frombuffer"),
    ("polars.dataframe.frame", "DataFrame"),
    ("scipy.sparse._csr", "csr_matrix"),
    ("scipy.sparse._csc", "csc_matrix"),
}
"""Classes and constructors of libraries that may be in a file."""
CODE = ("transforms.mixed_model", "transforms.model", "transforms.jobs")
"""Packages whose code determines a fit and its tables: another version of it does not read the file."""


class _FitUnpickler(pickle.Unpickler):
    """Unpickler that knows the classes of a fit alone."""

    def find_class(self, module: str, name: str) -> Any:
        """Return a class of a fit.

        Raises:
            pickle.UnpicklingError: the class does not belong to a fit.
        """
        if (module, name) in FOREIGN:
            return super().find_class(module, name)
        if module.startswith(OWN):
            found = super().find_class(module, name)
            # A name with dots can reach what a module imports.
            if isinstance(found, type) and found.__module__.startswith(OWN):
                return found
        message = f"{module}.{name} does not belong to a fit"
        raise pickle.UnpicklingError(message)


def _code_of(package: str) -> Iterable[bytes]:
    folder = Path(str(import_module(package).__path__[0]))
    return (path.read_bytes() for path in sorted(folder.rglob("*.py")))


def fits_key(frames: Iterable[pl.DataFrame | None], others: Any) -> str:
    """Return the fingerprint of all that fits and their tables depend on.

    Args:
        frames: the facts and other tables read, in a fixed order.
        others: further values that differ in their `repr`.
    """
    digest = hashlib.sha256(repr((others, pl.__version__, np.__version__)).encode())
    for frame in frames:
        digest.update(b"none" if frame is None else repr(frame.schema).encode())
        if frame is not None and frame.height:
            digest.update(np.ascontiguousarray(frame.hash_rows(seed=0).to_numpy()).tobytes())
    for package in CODE:
        for text in _code_of(package):
            digest.update(text)
    return digest.hexdigest()


def store_fits(path: Path, key: str, fits: dict[str, ResponseFit]) -> None:
    """Write fits atomically, in place of earlier ones.

    Args:
        path: the file.
        key: fingerprint of all that they depend on.
        fits: fits by response.
    """
    write_bytes_atomic(key.encode() + pickle.dumps(fits, protocol=pickle.HIGHEST_PROTOCOL), path)


def load_fits(path: Path, key: str) -> dict[str, ResponseFit] | None:
    """Return stored fits by response; None if there are none, they depend on other data, or the file is damaged."""
    try:
        with path.open("rb") as file:
            return _read(file, key)
    except Exception:  # noqa: BLE001 - a damaged pickle may raise anything; the fits are then computed again
        return None


def _read(file: BinaryIO, key: str) -> dict[str, ResponseFit] | None:
    if file.read(len(key)) != key.encode():
        return None
    fits: dict[str, ResponseFit] = _FitUnpickler(file).load()
    return fits
