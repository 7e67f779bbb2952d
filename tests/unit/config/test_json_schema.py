"""Schemas for editors: they accept the template and the demo's files, and refuse what the program refuses."""

import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from flows.pipeline.demo import render_season_toml
from transforms.config.json_schema import mapping_schema, season_schema, write_schemas
from transforms.config.season import TABLES, check_season
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.config.workspace import init_workspace, season_template
from transforms.demo.scenario import Plan
from transforms.demo.season import invent_season

DEMO_MAPPINGS = sorted(Path(str(files("transforms.demo") / "mappings")).glob("*.toml"))


def errors(schema: dict[str, Any], text: str) -> list[str]:
    """Paths of the errors of a TOML text, each once."""
    validator = jsonschema.Draft7Validator(schema)
    return sorted({"/".join(map(str, e.absolute_path)) for e in validator.iter_errors(tomllib.loads(text))})


@pytest.fixture(scope="module")
def mapping(catalogue: Catalogue) -> dict[str, Any]:
    return mapping_schema(catalogue)


def test_the_schemas_are_valid(mapping):
    for schema in (season_schema(), mapping):
        jsonschema.Draft7Validator.check_schema(schema)
    assert tuple(season_schema()["properties"]) == TABLES


def test_the_template_is_valid():
    assert errors(season_schema(), season_template()) == []


def test_the_season_file_of_the_demo_is_valid(catalogue):
    season = invent_season(Plan(machines=2, days=2, seed=1), catalogue)
    text = render_season_toml(season)
    assert errors(season_schema(), text) == []
    assert len(tomllib.loads(text)["sites"]) == len(season.district.sites)


def test_the_optional_keys_of_the_template_are_valid_too():
    optional = [
        line.removeprefix("# ")
        for line in season_template().splitlines()
        if re.match(r"# \w+ = .", line) and not line.startswith(("# lat_deg", "# lon_deg"))
    ]
    assert len(optional) >= 14
    tables = {key: table for table, part in season_schema()["$defs"].items() for key in part["properties"]}
    for line in optional:
        key, value = next(iter(tomllib.loads(line).items()))
        part = {"$defs": season_schema()["$defs"], "$ref": f"#/$defs/{tables[key]}"}
        assert list(jsonschema.Draft7Validator(part).iter_errors({key: value})) == [], line


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ('units = "metric"', 'units = "cubits"', "season/units"),
        ('shift_starts = "05:00"', 'shift_starts = "5 am"', "season/shift_starts"),
        ('locale = "en-GB"', 'locale = "English"', "season/locale"),
        ("beet_per_t = 38.0", 'beet_per_t = "much"', "prices/beet_per_t"),
        ("beet_per_t = 38.0", "beat_per_t = 38.0", "prices"),
        ("probability = 0.8", "probability = 80", "advice/probability"),
        ('refit = "02:00"', 'refit = "at night"', "schedule/refit"),
        ("[sites]", "[sites.north]\nlat_deg = 50.0", "sites/north"),
        ("[prices]", "[price]", ""),
    ],
)
def test_a_wrong_value_is_refused_where_the_program_refuses_it(old, new, place):
    text = season_template().replace(old, new, 1)
    assert text != season_template()
    assert errors(season_schema(), text) == [place]
    assert len(check_season(tomllib.loads(text), Path("season.toml"))) == 1


@pytest.mark.parametrize("path", DEMO_MAPPINGS, ids=lambda p: p.stem)
def test_the_mappings_of_the_demo_are_valid(mapping, path):
    assert errors(mapping, path.read_text("utf-8")) == []


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ('kind = "load"', 'kind = "ticket"', "kind"),
        ("[columns.load_id]", "[columns.ticket]", "columns"),
        ('decimal = ","', 'decimal = "comma"', "decimal"),
        ('unit = "kg"', 'unti = "kg"', "columns/"),
    ],
)
def test_a_wrong_mapping_is_refused(mapping, old, new, place):
    text = next(p for p in DEMO_MAPPINGS if p.stem == "tickets").read_text("utf-8")
    assert old in text
    (found,) = errors(mapping, text.replace(old, new, 1))
    assert found.startswith(place)


def test_a_setting_of_the_season_is_a_column_of_telemetry(tmp_path):
    own = """
[settings.brush_speed_rpm]
stage = "cleaning"
label = "brush speed"
unit = "rpm"
low = 0
high = 500
step = 20
responses = ["dirt_tare_pct"]
up = "faster"
down = "slower"
"""
    workspace = init_workspace(tmp_path / "w", season_template() + own)
    assert errors(season_schema(), (workspace.root / "season.toml").read_text("utf-8")) == []
    log = 'kind = "telemetry"\nfiles = ["a*.csv"]\n[columns.brush_speed_rpm]\nfrom = "Brush"\nunit = "rpm"\n'
    assert errors(mapping_schema(workspace.season.catalogue), log) == []
    assert errors(mapping_schema(load_catalogue()), log) == ["columns"]
    written = write_schemas(workspace.root, workspace.season.catalogue)
    assert [p.name for p in written] == ["season.schema.json", "mapping.schema.json"]
