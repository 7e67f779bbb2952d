"""Advice withheld by lot goes to the record with its moves, and to nobody's page."""

import polars as pl

from flows import stages
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.outcome.hold_back import is_drawn
from transforms.storage.advice_record import ADVICE_ISSUED

SHARE = 0.5


def test_moves_withheld_by_lot_are_recorded_and_not_shown(season: Season, tmp_path):
    workspace = copy_of(season, tmp_path / "w")
    file = workspace.root / "season.toml"
    file.write_text(file.read_text("utf-8").replace("[advice]", f"[advice]\nhold_back = {SHARE}"), "utf-8")
    shown = stages.advise_machines(workspace, season.fits, QUIET)
    with stages.open_warehouse(workspace) as warehouse:
        issued = warehouse.table(ADVICE_ISSUED)
        assert warehouse.table("advice").equals(shown)
    last = issued.filter(issued_at=issued["issued_at"].max())
    moves = last.filter(verdict="move")
    name = workspace.season.name
    drawn = [is_drawn(m, day, name, SHARE) for m, day in moves.select("machine_id", "shift_date").iter_rows()]
    assert moves["is_withheld"].to_list() == drawn
    assert 0 < sum(drawn) < len(drawn)
    withheld = sorted(moves.filter("is_withheld")["machine_id"].unique())
    assert sorted(shown.filter(reason_code="advice_withheld")["machine_id"]) == withheld
    assert not set(shown.filter(verdict="move")["machine_id"]) & set(withheld)
    assert shown.filter(verdict="move").height == moves.filter(~pl.col("is_withheld")).height
