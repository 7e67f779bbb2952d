"""Night fits on disk, local or on object storage: one Parquet file per response, with variances in its metadata."""

import datetime as dt
import io
import json
from typing import Any

import polars as pl

from transforms.mixed_model.huber import Tails
from transforms.model.fit_result import ResponseFit
from transforms.model.night_fit import KEPT_SCHEMA, NightFit, night_fit_of
from transforms.storage.lake import LakePath, write_bytes_atomic

HEADER = "night_fit"
"""Key of the metadata."""


def store_night_fits(folder: LakePath, key: str, fits: dict[str, ResponseFit]) -> None:
    """Write what the fits by day need of estimated fits, in place of earlier ones.

    Args:
        folder: the folder of the files.
        key: fingerprint of the settings and code on which the fits rest.
        fits: fits by response.
    """
    night = {response: kept for response, fit in fits.items() if (kept := night_fit_of(fit)) is not None}
    for path in folder.glob("*.parquet"):
        if path.stem not in night:
            path.unlink()
    for response, kept in night.items():
        body = io.BytesIO()
        kept.rows.write_parquet(body, metadata={HEADER: json.dumps({"key": key, **_header(kept)})})
        write_bytes_atomic(body.getvalue(), folder / f"{response}.parquet")


def load_night_fit(folder: LakePath, key: str, response: str) -> NightFit | None:
    """Return the night fit of a response; None without one, if it rests on other settings or code, or is damaged.

    Args:
        folder: the folder of the files.
        key: fingerprint of the settings and code.
        response: name of the response.
    """
    try:
        body = (folder / f"{response}.parquet").read_bytes()
        header = json.loads(pl.read_parquet_metadata(io.BytesIO(body))[HEADER])
        if header.pop("key") != key:
            return None
        return _night_fit(
            response,
            header,
            pl.read_parquet(io.BytesIO(body)).select(pl.col(name).cast(kind) for name, kind in KEPT_SCHEMA.items()),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, pl.exceptions.PolarsError):
        return None


def _header(kept: NightFit) -> dict[str, Any]:
    """Return the values of a night fit that are not of its rows, without rounding."""
    return {
        "variances": kept.variances[0],
        "residual": kept.variances[1],
        "s2": kept.s2,
        "sensors": list(kept.sensors.items()),
        "tails": [kept.tails.far_share, kept.tails.is_huberised, kept.tails.largest_move_se],
        "is_rounded": kept.is_rounded,
        "last_shift_date": kept.last_shift_date.isoformat(),
    }


def _night_fit(response: str, header: dict[str, Any], rows: pl.DataFrame) -> NightFit:
    """Return the night fit of the values that `_header` returned.

    Raises:
        KeyError: a value is missing.
        TypeError: a value has another type.
        ValueError: a value cannot be.
    """
    return NightFit(
        response,
        ({str(k): float(v) for k, v in header["variances"].items()}, float(header["residual"])),
        float(header["s2"]),
        {str(k): float(v) for k, v in header["sensors"]},
        Tails(*header["tails"]),
        bool(header["is_rounded"]),
        dt.date.fromisoformat(header["last_shift_date"]),
        rows,
    )
