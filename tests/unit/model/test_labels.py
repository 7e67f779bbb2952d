"""No module but the terms makes the label of a coefficient or takes one apart."""

import ast

import pytest

TERM_MODULES = {
    f"transforms/model/{name}.py" for name in ("term", "condition_terms", "modifiers", "setting_terms", "factor_terms")
}


def _pieces(*tokens: str) -> set[str]:
    """Return all neighbouring tokens of a label, joined, that contain a letter; `{}` replaces a name."""
    joined = ["".join(tokens[a:b]) for a in range(len(tokens)) for b in range(a + 1, len(tokens) + 1)]
    return {piece for piece in joined if any(c.isalpha() for c in piece)}


LABEL_PIECES = (
    _pieces("{}", " by ", "{}")
    | _pieces("{}", " on ", "{}", " soil")
    | _pieces("visit mean ", "{}", " by ", "{}")
    | _pieces("without ", "{}")
    | _pieces("curve of ", "{}", "[")
    | _pieces("bend of ", "{}", "[")
    | _pieces("settings by ", "{}")
    | _pieces("visit means by ", "{}")
    | _pieces("machine slope of ", "{}")
    | {"settings by soil", "surface of wetness and clay", "visit mean"}
)


def _texts(tree: ast.AST) -> set[str]:
    """Return all strings of a module; in f-strings, whose parts do not count by themselves, `{}` is a value."""
    formatted = [node for node in ast.walk(tree) if isinstance(node, ast.JoinedStr)]
    parts = {id(part) for node in formatted for part in node.values}
    plain = [node for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in parts]
    templates = {
        "".join(str(getattr(part, "value", "")) if isinstance(part, ast.Constant) else "{}" for part in node.values)
        for node in formatted
    }
    return templates | {node.value for node in plain if isinstance(node.value, str)}


def test_only_terms_make_or_take_apart_labels_of_coefficients(sources):
    others = [name for name in sources if name not in TERM_MODULES]
    assert len(sources) - len(others) == len(TERM_MODULES)
    assert {name.split("/")[0] for name in others} == {"flows", "reports", "transforms"}
    found = {name: _texts(sources[name]) & LABEL_PIECES for name in others}
    assert not {name: texts for name, texts in found.items() if texts}


@pytest.mark.parametrize(
    "line",
    [
        'fit.at[f"{setting} by {by}"]',
        'fit.at[f"{setting} on {soil} soil"]',
        'name.removeprefix("machine slope of ")',
        'label.split(" by ", 1)[0]',
        '[n for n in fit.at if n.startswith(f"bend of {setting}[")]',
        'fit.at.get("visit mean " + setting)',
    ],
)
def test_the_scan_finds_a_label_made_elsewhere(line):
    assert _texts(ast.parse(line)) & LABEL_PIECES


def test_the_scan_accepts_other_texts():
    assert not _texts(ast.parse('f"{n} loads on {soil} soil with {wet} topsoil"')) & LABEL_PIECES
