"""Origins of prices and of figures that no workspace sets, as the section on prices names them."""

from dataclasses import fields, replace

import pytest

from reports.language.display_units import DisplayUnits
from reports.language.translate import use_language
from reports.sections.prices import FIGURES, ORIGINS, figure_table, price_origin, price_section
from transforms.advice.fixed_figures import FIXED_FIGURES, GROWING_MANUAL, RESPIRATION_STUDY, STORAGE_STUDY
from transforms.advice.storage import healthy_loss_kg_per_t_day
from transforms.config.workspace import ASSUMPTION, PRACTICE, Prices, Season, init_workspace

PRICES = {f.name: f.metadata["origin"] for f in fields(Prices)}


@pytest.fixture
def assumed(tmp_path) -> Season:
    """A season that sets no price."""
    return replace(init_workspace(tmp_path / "season").season, assumed=tuple(PRICES))


def test_every_origin_has_a_code_and_a_label():
    assert set(PRICES.values()) == {ASSUMPTION, PRACTICE}
    assert {name for name, origin in PRICES.items() if origin == PRACTICE} == {"storage_dirt_pct", "storage_tops_pct"}
    assert set(ORIGINS) == {*PRICES.values(), *(f.origin for f in FIXED_FIGURES)}
    assert set(FIGURES) == {f.code for f in FIXED_FIGURES}


def test_a_default_names_its_origin_and_a_price_of_the_workspace_the_workspace(assumed: Season):
    default = {name: price_origin(name, assumed) for name in PRICES}
    assert len(set(default.values())) == 2
    own = replace(assumed, assumed=tuple(n for n in PRICES if n != "beet_per_t"))
    assert price_origin("beet_per_t", own) not in default.values()
    assert price_origin("haul_km", own) == default["haul_km"]


def test_published_figures_are_those_of_the_cost(assumed: Season):
    by = {(f.code, f.at_c): f for f in FIXED_FIGURES}
    assert (by["over_topped_loss", None].value, by["over_topped_loss", None].origin) == (6.0, GROWING_MANUAL)
    assert by["severe_damage_times", None].origin == RESPIRATION_STUDY
    for (code, at_c), figure in by.items():
        if code == "pile_loss":
            assert figure.days is not None
            assert at_c is not None
            lost = figure.days * float(healthy_loss_kg_per_t_day(at_c)) / 10
            assert (figure.value, figure.origin) == (pytest.approx(lost), STORAGE_STUDY)
    table = figure_table(assumed)
    assert [r.cells[1].value for r in table.rows] == [f.value for f in FIXED_FIGURES]
    assert len({r.cells[0].text for r in table.rows}) == len(FIXED_FIGURES)
    assert table in price_section(assumed).blocks


def test_temperatures_and_sizes_follow_the_units_of_the_page(assumed: Season):
    us = replace(assumed, units="us", currency="USD")
    with use_language("en-US"):
        texts = [r.cells[0].text for r in figure_table(us).rows]
        sign = DisplayUnits("us", "USD", "UTC").sign("degC")
    assert sum(sign in t for t in texts) == 2
