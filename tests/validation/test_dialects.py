"""Exports of invented offices: their truth, and the mappings proposed for them.

`python tests/validation/dialect_mapping.py` writes the figures of tests/validation/RESULTS.md; the slow test keeps them
from falling.
"""

from pathlib import Path

import pytest

from tests.validation.dialect_mapping import OFFICES, SET_ASIDE, scores_of
from tests.validation.dialects.interview import NOT_PLACED, RIGHT, RIGHT_ASKED, WRONG, interview
from tests.validation.dialects.judge import difference, rows_read
from tests.validation.dialects.lexicon import LANGUAGES
from tests.validation.dialects.office import draw_office
from tests.validation.dialects.truth_mapping import mapping_table, table_truths
from tests.validation.dialects.write_files import write_office
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.source_tables import CONTRACTS


def unreadable(seed: int, folder: Path, catalogue: Catalogue) -> dict[str, str]:
    """Return the files whose rows differ from the truth though the mapping was written from it."""
    office, out = draw_office(seed), {}
    for file, path in zip(office.files, write_office(office, folder / str(seed)), strict=True):
        for truth in table_truths(file):
            read = rows_read(path, mapping_table(truth), catalogue)
            trouble = read.problem or read.rejected or difference(read.good, truth.truth.rows)
            if trouble:
                out[f"{file.name} {truth.truth.kind}"] = trouble
    return out


def test_a_seed_gives_the_same_files(tmp_path):
    first, second = (write_office(draw_office(3), tmp_path / name) for name in ("a", "b"))
    pairs = [(a, b) for a, b in zip(first, second, strict=True) if a.suffix in {".csv", ".txt"}]
    assert pairs
    assert [a.name for a in first] == [b.name for b in second]
    assert all(a.read_bytes() == b.read_bytes() for a, b in pairs)


def test_an_office_has_every_kind_of_its_language_and_ids_agree_between_kinds():
    offices = [draw_office(seed) for seed in (1, 26)]
    wanted = set(CONTRACTS) - {"weather_reading", "field_boundary"}
    for office in offices:
        truths = {t.truth.kind: t.truth for f in office.files for t in table_truths(f)}
        assert set(truths) == wanted
        loads = {r["load_id"] for r in truths["load"].rows}
        assert loads >= {r["load_id"] for r in truths["tare"].rows} & loads
        assert {r["field_id"] for r in truths["load"].rows} <= {r["field_id"] for r in truths["field"].rows}
    assert {draw_office(s).language for s in OFFICES[: len(LANGUAGES)]} == set(LANGUAGES)


def test_a_mapping_written_from_the_truth_reads_the_rows_of_the_truth(tmp_path, catalogue):
    assert unreadable(1, tmp_path, catalogue) == {}


@pytest.mark.parametrize("seed", [1, 2])
def test_proposals_of_two_offices_are_mostly_right(tmp_path, catalogue, seed):
    office = draw_office(seed)
    paths = write_office(office, tmp_path)
    kept = [i for i, f in enumerate(office.files) if set(f.kinds()) & {"load", "field", "weather_day"}]
    scores = [interview(office.files[i], paths[i], catalogue, office.zone, seed) for i in kept]
    outcomes = [outcome for s in scores for _, outcome in s.outcomes]
    right = [o for o in outcomes if o in {RIGHT, RIGHT_ASKED}]
    assert len(right) >= 0.6 * len(outcomes)
    assert outcomes.count(WRONG) <= 0.05 * len(outcomes)


def test_a_wrong_truth_counts_as_wrong(tmp_path, catalogue):
    office = draw_office(2)
    paths = write_office(office, tmp_path)
    at = next(i for i, f in enumerate(office.files) if "weather_day" in f.kinds())
    file = office.files[at]
    right = interview(file, paths[at], catalogue, office.zone, 2)
    for row in file.tables[0].truths[0].rows:
        row["air_temp_max_c"] += 1
    shifted = interview(file, paths[at], catalogue, office.zone, 2)
    assert right.trouble == ""
    assert shifted.trouble.startswith("air_temp_max_c: ")
    file.tables[0].columns.reverse()
    reversed_ = interview(file, paths[at], catalogue, office.zone, 2)
    wrong = [o for _, o in reversed_.outcomes if o in {WRONG, NOT_PLACED}]
    assert len(wrong) > len([o for _, o in right.outcomes if o in {WRONG, NOT_PLACED}])


@pytest.mark.slow
def test_every_file_is_readable_with_a_mapping_written_from_its_truth(tmp_path, catalogue):
    troubles = {s: unreadable(s, tmp_path, catalogue) for s in [*OFFICES, *SET_ASIDE]}
    assert {s: t for s, t in troubles.items() if t} == {}


@pytest.mark.slow
def test_proposals_of_offices_that_may_be_looked_at():
    scores = [score for seed in OFFICES for score in scores_of(seed)]
    outcomes = [outcome for s in scores for _, outcome in s.outcomes]
    assert outcomes.count(WRONG) <= 0.01 * len(outcomes)
    assert len([o for o in outcomes if o in {RIGHT, RIGHT_ASKED}]) >= 0.95 * len(outcomes)
    assert sum(not s.trouble for s in scores) >= 0.9 * len(scores)
    assert not any(s.is_wrong_kind for s in scores)
