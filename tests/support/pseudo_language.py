"""A language that encloses every text of the sources in brackets, so that a text without brackets is not translated."""

import re
from functools import cache
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

from transforms.config.workspace import Workspace, init_workspace, season_template

ROOT = Path(__file__).parents[2]
ROOMS = ("reports", "flows", "transforms")
KEYWORDS = {"say": None, "say_n": (1, 2), "mark": None, "mark_n": (1, 2), "phrase": None}


@cache
def texts_of_sources() -> Catalog:
    """Return the texts of the sources, as the command of DEVELOPERS.md extracts them."""
    out = Catalog()
    for room in ROOMS:
        extraction = "reports.language.extraction"
        methods = [
            ("**.py", f"{extraction}:extract_texts"),
            ("**_template.toml", f"{extraction}:extract_comments"),
            ("**.j2", "jinja2"),
        ]
        for _, _, text, _, _ in extract_from_dir(str(ROOT / room), method_map=methods, keywords=KEYWORDS):
            out.add(text)
    return out


@cache
def texts_of_catalogue() -> Catalog:
    """Return the texts of catalogue.pot, which a test compares with those of the sources; to read them takes less."""
    with (ROOT / "reports" / "language" / "catalogue.pot").open("rb") as handle:
        return read_po(handle)


def bracketed(catalogue: Catalog, folder: Path, name: str) -> Path:
    """Write a translation that encloses every text in brackets, and return its folder."""
    out = Catalog(locale="de")
    for m in catalogue:
        if m.id:
            text = tuple(f"⟦{t}⟧" for t in m.id) if isinstance(m.id, tuple | list) else f"⟦{m.id}⟧"
            out.add(m.id, text)
    folder.mkdir(exist_ok=True)
    with (folder / f"{name}.po").open("wb") as handle:
        write_po(handle, out)
    return folder


def bracketed_workspace(folder: Path) -> Workspace:
    """Return a new workspace whose language encloses every text in brackets."""
    workspace = init_workspace(folder, season_template().replace('locale = "en-GB"', 'locale = "de-DE"'))
    bracketed(texts_of_catalogue(), workspace.root / "text", "de")
    return workspace


def bare(text: str) -> str:
    """Return the parts of a text outside all brackets."""
    while (shorter := re.sub(r"⟦[^⟦⟧]*⟧", "", text)) != text:
        text = shorter
    return text
