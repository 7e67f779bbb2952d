"""Help texts of commands as texts of the catalogue, one per paragraph."""

import inspect


def help_paragraphs(text: str) -> list[str]:
    r"""Return the paragraphs of a docstring or help text, each on one line.

    >>> help_paragraphs("First.\n\n    Second,\n    continued.")
    ['First.', 'Second, continued.']
    """
    return [" ".join(p.split()) for p in inspect.cleandoc(text).split("\n\n") if p.strip()]
