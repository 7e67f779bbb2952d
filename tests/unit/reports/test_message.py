"""Message of a run about its shift page, as written from the tables of a season."""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest

from flows import stages
from reports.language.display_units import DisplayUnits
from reports.language.translate import use_language
from reports.message import run_message
from reports.pages.shift import shift_page, write_shift_page
from reports.pages.shift_data import ShiftPageData, load_shift_page
from transforms.config.runtime import Publish
from transforms.config.workspace import Workspace
from transforms.operations.publish import Publication


@pytest.fixture(scope="module")
def data(advised: Workspace) -> ShiftPageData:
    stages.compute_shift_timeline(advised)
    with stages.open_warehouse(advised) as warehouse:
        return load_shift_page(warehouse, advised.season)


@pytest.mark.parametrize("locale", ["en-GB", "de-DE"])
def test_the_message_has_the_heading_as_subject_and_names_the_day_once(
    advised: Workspace, data, tmp_path: Path, locale
):
    season = replace(advised.season, locale=locale, publish=Publish(tmp_path, address="https://example.org/s"))
    paths = write_shift_page(data, season, tmp_path)
    message = run_message([paths[0]], [], season, Publication(tmp_path))
    assert message is not None
    assert data.shift is not None
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    with use_language(locale):
        page = shift_page(data, season)
        ahead, worked = (shown.short_day(data.shift + dt.timedelta(days=k)) for k in (1, 0))
    assert page.name != page.title
    assert message.subject == page.title
    when, lead, link, *_ = message.text.split("\n\n")
    assert (when, lead, link) == (page.when, page.lead, f"https://example.org/s/{paths[0].name}")
    everything = message.subject + message.text
    assert [everything.count(ahead), everything.count(worked)] == [1, 0]
