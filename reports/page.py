"""Puts a page together: a template, the charts it embeds, the style and the script, in one file."""

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import vl_convert
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reports.units import number


def script_bundle() -> str:
    """Return the chart library and the lines that draw every chart of a page, as one script."""
    snippet = files(__package__).joinpath("templates").joinpath("draw.js").read_text("utf-8")
    bundle: str = vl_convert.javascript_bundle(snippet)
    return bundle.replace("</script", "<\\/script")


def embedded(spec: dict[str, Any]) -> Markup:
    """Return a chart's specification as JSON that cannot end the script element it stands in."""
    text = json.dumps(spec, default=str, ensure_ascii=False)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))  # noqa: S704


def render(template: str, path: Path, **context: Any) -> Path:
    """Write a page from a template of `reports/templates/` and return its path."""
    environment = Environment(
        loader=PackageLoader("reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["number"] = number
    style = files(__package__).joinpath("templates").joinpath("style.css").read_text("utf-8")
    text = environment.get_template(template).render(
        **context,
        style=Markup(style),  # noqa: S704  our own file
        script=Markup(script_bundle()),  # noqa: S704  our own bundle
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, "utf-8")
    return path
