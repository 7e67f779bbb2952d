"""Fits kept for the next command: the same numbers, read again only while nothing has changed."""

import pickle
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from flows import stages
from tests.support.program import taretrace_here
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.config.workspace import Workspace
from transforms.jobs.stored_fits import load_fits, store_fits


@pytest.fixture(scope="module")
def kept(season: Season, tmp_path_factory) -> Workspace:
    """A copy of the small season with the fits that `fit` keeps."""
    workspace = copy_of(season, tmp_path_factory.mktemp("kept") / "season")
    stages.keep_fits(workspace, season.fits)
    return workspace


def rewritten(workspace: Workspace, old: str, new: str) -> Workspace:
    """Return the workspace after a change of its season.toml."""
    file = workspace.root / "season.toml"
    text = file.read_text("utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), "utf-8")
    return Workspace(workspace.root)


def test_kept_fits_are_the_same_to_the_bit(kept, season):
    found = stages.kept_fits(kept)
    assert found is not None
    assert list(found.by_response) == list(season.fits.by_response)
    for name, fit in season.fits.by_response.items():
        again = found.by_response[name]
        assert again.fingerprint == fit.fingerprint
        assert np.array_equal(again.reml.coef, fit.reml.coef)
        assert np.array_equal(again.residual, fit.residual)
        assert again.rows.equals(fit.rows)


def test_advise_does_not_fit_what_fit_has_fitted(kept, monkeypatch):
    def refuse(*_: object) -> None:
        message = "fitted twice"
        raise AssertionError(message)

    with stages.open_warehouse(kept) as warehouse:
        advice = warehouse.table("advice")
    given: list[stages.Fits] = []

    def advise(_: Workspace, fits: stages.Fits, __: object) -> pl.DataFrame:
        given.append(fits)
        return advice

    monkeypatch.setattr(stages, "fit_responses", refuse)
    monkeypatch.setattr(stages, "advise_machines", advise)
    assert taretrace_here("advise", kept.root).code == 0
    assert list(given[0].by_response)


def test_a_new_fit_discards_the_kept_one_first(kept, monkeypatch, tmp_path):
    copy = tmp_path / ".fits"
    copy.write_bytes(kept.stored_fits.read_bytes())
    monkeypatch.setattr(Workspace, "stored_fits", property(lambda _: copy))
    monkeypatch.setattr(stages.fit, "require_facts", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        stages.fit_responses(kept, QUIET)
    assert not copy.exists()


@pytest.mark.parametrize("change", ["prices", "laboratory", "loads"])
def test_fits_are_not_used_after_a_change_of_what_they_rest_on(kept, monkeypatch, change):
    key = kept.stored_fits.read_bytes()[:64].decode()
    if change == "loads":
        monkeypatch.setattr(
            stages.fit, "fits_key", lambda frames, _: f"{sum(f.height for f in frames if f is not None):064d}"
        )
        assert stages.kept_fits(kept) is None
        return
    file = kept.root / "season.toml"
    before = file.read_text("utf-8")
    try:
        if change == "prices":
            changed = rewritten(kept, "beet_per_t = 38.0", "beet_per_t = 41.5")
        else:
            changed = rewritten(kept, "cv_at_25_kg = 0.10", "cv_at_25_kg = 0.31")
        found = stages.kept_fits(changed)
    finally:
        file.write_text(before, "utf-8")
    assert (found is None) == (change == "laboratory")
    assert key == kept.stored_fits.read_bytes()[:64].decode()


def test_a_damaged_file_is_not_used(tmp_path, season):
    file = tmp_path / ".fits"
    store_fits(file, "k" * 64, {})
    assert load_fits(file, "k" * 64) == {}
    assert load_fits(file, "x" * 64) is None
    store_fits(file, "k" * 64, season.fits.by_response)
    whole = file.read_bytes()
    for size in (0, 64, 65, len(whole) // 2, len(whole) - 1):
        file.write_bytes(whole[:size])
        assert load_fits(file, "k" * 64) is None
    file.unlink()
    assert load_fits(file, "k" * 64) is None


class Command:
    """An object whose reading would create a file."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self):
        return Path.touch, (self.path,)


def test_a_file_cannot_run_a_command(tmp_path):
    victim, file = tmp_path / "victim", tmp_path / ".fits"
    file.write_bytes(b"k" * 64 + pickle.dumps(Command(victim)))
    assert load_fits(file, "k" * 64) is None
    dotted = b"\x80\x04ctransforms.model.fit_result\npl.Path\n."  # a class that a module of a fit imports
    file.write_bytes(b"k" * 64 + dotted)
    assert load_fits(file, "k" * 64) is None
    assert not victim.exists()
