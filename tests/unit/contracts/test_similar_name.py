"""Suggestions for misspelled names."""

import pytest

from transforms.contracts.similar_name import MAX_LISTED, similar_names, use_one_of

COMMANDS = ["post-shift", "ingest", "fit", "advise", "report", "what-if", "benchmark"]


@pytest.mark.parametrize(
    ("word", "name"),
    [
        ("ingset", "ingest"),
        ("POST_SHIFT", "post-shift"),
        ("postshift", "post-shift"),
        ("benchmrak", "benchmark"),
        ("bench", "benchmark"),
        ("whatif", "what-if"),
    ],
)
def test_the_most_similar_name_is_first(word, name):
    assert similar_names(word, COMMANDS)[0] == name


@pytest.mark.parametrize("word", ["", "qqq", "xx", "fi" * 40])
def test_nothing_is_suggested_for_a_word_like_none(word):
    assert similar_names(word, COMMANDS) == []


def test_a_remedy_names_one_similar_name_or_lists_all():
    assert use_one_of("M0l", ["M01", "M02"]).values == {"name": "M01"}
    assert use_one_of("tractor", ["M01", "M02"]).values == {"names": "M01, M02"}
    many = [f"M{i:02d}" for i in range(40)]
    assert use_one_of("tractor", many).values["n"] == len(many) - MAX_LISTED
