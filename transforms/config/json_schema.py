"""JSON Schemas of `season.toml` and of mappings, with which editors check and complete these files.

An editor finds the schema by the first line of the file, `#:schema PATH`, a convention of TOML language servers.
"""

import json
from dataclasses import fields
from pathlib import Path
from typing import Any

from transforms.config.mapping_tables import ColumnTable, DatedTable, ListTable, MappingTable
from transforms.config.season_tables import SeasonFile
from transforms.config.settings_catalogue import Catalogue
from transforms.config.tables import Table
from transforms.config.workspace import MAPPING_SCHEMA, SEASON_SCHEMA, Prices
from transforms.contracts.source_tables import CONTRACTS, contract

DIALECT = "http://json-schema.org/draft-07/schema#"
"""Version of JSON Schema that TOML editors support."""
Schema = dict[str, Any]


def season_schema() -> Schema:
    """Return the schema of `season.toml`; its rules are those of the models, except the rules between keys."""
    schema = _schema_of(SeasonFile)
    del schema["required"]
    own = schema["$defs"]["PricesTable"]["properties"]
    for price in fields(Prices):
        words, unit = price.metadata["words"], str(price.metadata["unit"]).replace("CUR", "currency")
        text = f"{words}, {unit}: {own[price.name]['description']}. Assumed if missing: {price.default:g}"
        own[price.name] |= {"description": text, "default": price.default}
    return schema


def mapping_schema(catalogue: Catalogue) -> Schema:
    """Return the schema of a mapping.

    Args:
        catalogue: the settings of the workspace, which are columns of telemetry.
    """
    schema, definitions = _schema_of(MappingTable), dict[str, Any]()
    for model in (DatedTable, ListTable, ColumnTable):
        part = _schema_of(model)
        definitions |= part.pop("$defs", {})
        part.pop("$schema")
        definitions[model.__name__] = part
    column = {"$ref": "#/$defs/ColumnTable"}
    for key in ("lookup_list", "full_scale_list"):
        definitions["ColumnTable"]["properties"][key] |= {"$ref": "#/$defs/ListTable"}
    schema["properties"]["dated"] |= {"$ref": "#/$defs/DatedTable"}
    schema["properties"]["columns"]["additionalProperties"] = column
    schema["$defs"] = {**schema.get("$defs", {}), **definitions}
    schema["allOf"] = [
        {
            "if": {"properties": {"kind": {"const": kind}}, "required": ["kind"]},
            "then": {
                "properties": {
                    "columns": {
                        "properties": dict.fromkeys(contract(kind, catalogue).columns(), column),
                        "additionalProperties": False,
                    }
                }
            },
        }
        for kind in CONTRACTS
    ]
    return schema


def write_schemas(workspace: Path, catalogue: Catalogue) -> list[Path]:
    """Write the schemas of a workspace beside its `season.toml`, and return their paths; earlier ones are replaced."""
    schemas = {SEASON_SCHEMA: season_schema(), MAPPING_SCHEMA: mapping_schema(catalogue)}
    for name, schema in schemas.items():
        (workspace / name).write_text(json.dumps(schema, indent=1, ensure_ascii=False) + "\n", "utf-8")
    return [workspace / name for name in schemas]


def _schema_of(model: type[Table]) -> Schema:
    schema = {"$schema": DIALECT, **model.model_json_schema(by_alias=True)}
    for part in (schema, *schema.get("$defs", {}).values()):
        part.pop("title", None)
        part["properties"] = {name: _for_editors(value) for name, value in part["properties"].items()}
    return schema


def _for_editors(value: Schema) -> Schema:
    """Return the schema of a key without titles, marks of secrets, and defaults that mean "not given"."""
    unwanted = {"title", "is_secret", *([] if value.get("default") and "$ref" not in value else ["default"])}
    return {k: v for k, v in value.items() if k not in unwanted}
