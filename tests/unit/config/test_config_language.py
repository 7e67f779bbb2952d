"""Every error of a configuration file consists of texts of the catalogue, so that it can be translated."""

import random
from collections.abc import Iterator

import pytest

from reports.language.error_text import error_text
from reports.language.translate import use_language
from tests.support.config_variants import toml, variants
from tests.support.pseudo_language import texts_of_catalogue
from tests.unit.config.test_config_validation import SEED, all_mapping_variants, valid_season
from transforms.config.problems import ConfigError
from transforms.config.workspace import read_season
from transforms.contracts.phrase import Phrase
from transforms.ingest.mapping_file import parse_mapping

SAMPLE = 200


def texts_in(words: object) -> Iterator[str]:
    """Yield the texts of a phrase and of the phrases in it."""
    assert isinstance(words, Phrase), words
    yield words.text
    for value in words.values.values():
        if isinstance(value, Phrase):
            yield from texts_in(value)


def texts_of(problem: ConfigError) -> set[str]:
    return {t for p in problem.problems for part in (p.what, p.remedy) for t in texts_in(part)}


def test_errors_of_seasons_and_mappings_are_in_the_catalogue(tmp_path, catalogue):
    chosen = random.Random(SEED)
    path, found = tmp_path / "season.toml", set[str]()
    for _, table in chosen.sample(list(variants(valid_season())), SAMPLE):
        path.write_text(toml(table), "utf-8")
        try:
            read_season(path)
        except ConfigError as problem:
            found |= texts_of(problem)
    for _, table in chosen.sample(list(all_mapping_variants()), SAMPLE):
        try:
            parse_mapping(table, "m", catalogue, "test")
        except ConfigError as problem:
            found |= texts_of(problem)
    known = {m.id for m in texts_of_catalogue() if isinstance(m.id, str)}
    assert len(found) > 60
    assert found - known == set()


def test_an_error_of_a_season_is_translated_with_its_parts(tmp_path):
    path = tmp_path / "season.toml"
    path.write_text('[advice]\nmin_loads = 0\n[season]\ntime_zone = "Europe/Berlín"\n', "utf-8")
    with pytest.raises(ConfigError) as refused:
        read_season(path)
    with use_language("de-DE"):
        german = error_text(refused.value)
    english = {str(v) for p in refused.value.problems for v in texts_in(p.remedy) if "{" not in v}
    assert english
    assert not any(text in german for text in english)
    assert all(key in german for key in ("min_loads", "Europe/Berlín", str(path)))
