"""Night fits on disk: read as written, and not read if damaged or of other settings."""

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np
import polars as pl
import pytest

from transforms.jobs import night_fits
from transforms.mixed_model.huber import Tails
from transforms.model.night_fit import KEPT_SCHEMA, NightFit

if TYPE_CHECKING:
    from transforms.model.fit_result import ResponseFit

DIRT, KEY = "dirt_tare_pct", "settings and code"
ROWS = pl.DataFrame(
    {"key": ["a", "b"], "measurement": [2**63, 1], "z": [0.1 + 0.2, -1.0], "pseudo": [0.3, -0.9], "class": [-3, 4]},
    schema=KEPT_SCHEMA,
)
NIGHT = NightFit(
    DIRT,
    ({"field": 0.1 + 0.2, "machine": 1e-12}, np.pi),
    1 / 3,
    {"share_depth_cm": 1.0, "ground_speed_kmh": 0.85},
    Tails(0.01, is_huberised=True, largest_move_se=0.5),
    is_rounded=False,
    last_shift_date=dt.date(2025, 10, 9),
    rows=ROWS,
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch) -> Path:
    monkeypatch.setattr(night_fits, "night_fit_of", lambda fit: fit)
    night_fits.store_night_fits(tmp_path, KEY, {DIRT: cast("ResponseFit", NIGHT)})
    return tmp_path


def test_a_night_fit_is_read_as_it_was_written(folder):
    found = night_fits.load_night_fit(folder, KEY, DIRT)
    assert found is not None
    assert found.rows.equals(ROWS)
    for name in ("response", "variances", "s2", "sensors", "tails", "is_rounded", "last_shift_date"):
        assert getattr(found, name) == getattr(NIGHT, name), name


def test_night_fits_of_other_settings_or_responses_are_not_read(folder):
    assert night_fits.load_night_fit(folder, "other settings", DIRT) is None
    assert night_fits.load_night_fit(folder, KEY, "top_tare_pct") is None


@pytest.mark.parametrize("kept", [0, 10, -9])
def test_a_damaged_file_is_not_read(folder, kept):
    path = folder / f"{DIRT}.parquet"
    path.write_bytes(path.read_bytes()[:kept])
    assert night_fits.load_night_fit(folder, KEY, DIRT) is None


def test_a_response_without_a_fit_loses_its_night_fit(folder):
    night_fits.store_night_fits(folder, KEY, {})
    assert list(folder.iterdir()) == []
