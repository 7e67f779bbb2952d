"""Validation of a TOML table against a strict pydantic model of its keys."""

from typing import Annotated, Any, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic.config import JsonDict
from pydantic.fields import FieldInfo

from transforms.config.problems import Problem, format_value, key_shown, not_a_table, suggestion, unknown_name
from transforms.contracts.phrase import Phrase, phrase

MAX_CHARACTERS = 1000
MAX_ITEMS = 1000
SECRET: JsonDict = {"is_secret": True}
"""Mark of a field whose value may contain a password, so that no message shows it."""


class Table(BaseModel):
    """Strict model of a table: no unknown keys, and no conversion of values.

    The description of a field completes the sentence "give it ...".
    """

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


def _clean(text: str) -> str:
    if any(ord(c) < 32 or ord(c) == 127 for c in text):
        raise ValueError(phrase("it contains a control character"))
    return text


def check_unique(values: list[str]) -> list[str]:
    """Return the list after checking that it has no duplicates.

    Raises:
        ValueError: a value occurs more than once.

    >>> check_unique(["a", "b"])
    ['a', 'b']
    """
    repeated = sorted({v for v in values if values.count(v) > 1})
    if repeated:
        raise ValueError(phrase("{value} occurs more than once", value=format_value(repeated[0])))
    return values


Text = Annotated[str, Field(max_length=MAX_CHARACTERS), AfterValidator(_clean)]
Name = Annotated[Text, Field(min_length=1)]
Names = Annotated[list[Name], Field(max_length=MAX_ITEMS), AfterValidator(check_unique)]
SomeNames = Annotated[Names, Field(min_length=1)]


def file_key(name: str, field: FieldInfo) -> str:
    """Return the key of a field in the file."""
    return field.alias or name


def check_table(model: type[Table], table: Any, where: str) -> tuple[dict[str, Any], list[Problem]]:
    """Validate a table.

    Args:
        model: the model of its keys.
        table: the parsed TOML value.
        where: the file and the table in it, for messages.

    Returns:
        The valid keys with their values, and an error for each other key.
    """
    if not isinstance(table, dict):
        remedy = phrase("write it as a table of lines key = value")
        return {}, [not_a_table(table, where, remedy)]
    try:
        model.model_validate(table)
    except ValidationError as error:
        fields = {file_key(n, f): f for n, f in model.model_fields.items()}
        wrong: dict[str, Problem] = {}
        for detail in error.errors(include_url=False):
            key = str(detail["loc"][0])
            wrong.setdefault(key, _problem(key, dict(detail), fields, table, where))
        return {k: v for k, v in table.items() if k not in wrong}, list(wrong.values())
    return dict(table), []


def _problem(
    key: str, detail: dict[str, Any], fields: dict[str, FieldInfo], table: dict[str, Any], where: str
) -> Problem:
    if detail["type"] == "extra_forbidden":
        return unknown_name(key, list(fields), where)
    expected = Phrase(fields[key].description or "another value")
    if detail["type"] == "missing":
        return Problem(
            "missing_key",
            key,
            phrase("{name} is missing", name=key_shown(key)),
            where,
            phrase("add it: {expected}", expected=expected),
        )
    value = table[key]
    is_secret = fields[key].json_schema_extra == SECRET
    shown = phrase("not valid") if is_secret else format_value(value)
    error = detail.get("ctx", {}).get("error")
    why = error.args[0] if error is not None else None
    if isinstance(why, Phrase):  # errors of the standard library say no more than what is expected
        what = phrase("{name} is {value} ({why})", name=key_shown(key), value=shown, why=why)
    else:
        what = phrase("{name} is {value}", name=key_shown(key), value=shown)
    hint = suggestion(value, _choices(fields[key].annotation))
    remedy = phrase("give it {expected}", expected=expected)
    return Problem(
        "wrong_value", key, what, where, phrase("{remedy}; {hint}", remedy=remedy, hint=hint) if hint else remedy
    )


def _choices(annotation: Any) -> list[str]:
    """Return the strings that a literal type allows."""
    return [text for part in get_args(annotation) for text in ([part] if isinstance(part, str) else _choices(part))]
