"""Options of a command that belong together, as one data class."""

import inspect
from collections.abc import Callable
from dataclasses import MISSING, Field, fields, is_dataclass
from functools import wraps
from typing import Any, get_type_hints


def _default_of(field: "Field[Any]") -> Any:
    if field.default is not MISSING:
        return field.default
    return inspect.Parameter.empty if field.default_factory is MISSING else field.default_factory()


def _parameters_of(group: Any) -> list[inspect.Parameter]:
    hints = get_type_hints(group, include_extras=True)
    kind = inspect.Parameter.POSITIONAL_OR_KEYWORD
    return [inspect.Parameter(f.name, kind, default=_default_of(f), annotation=hints[f.name]) for f in fields(group)]


def with_single_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a command that has an option per field in place of each parameter that is a data class.

    Args:
        function: the command; each field of the data classes is annotated as an option, and no two have the same name.
    """
    own = inspect.signature(function, eval_str=True)
    groups: dict[str, Any] = {n: p.annotation for n, p in own.parameters.items() if is_dataclass(p.annotation)}
    if not groups:
        return function
    flat = [q for n, p in own.parameters.items() for q in (_parameters_of(groups[n]) if n in groups else [p])]

    @wraps(function)
    def call(**values: Any) -> Any:
        given = {name: kind(**{f.name: values.pop(f.name) for f in fields(kind)}) for name, kind in groups.items()}
        return function(**values, **given)

    call.__signature__ = own.replace(parameters=flat)  # type: ignore[attr-defined]
    return call
