"""Links between sections and pages."""

from urllib.parse import quote

from transforms.contracts.naming import safe_name


def machine_anchor(machine: str) -> str:
    """Return the anchor of a machine's card.

    >>> machine_anchor("M 7")
    'm-M_7-x0258d7b668b'
    """
    return f"m-{safe_name(machine)}"


def loads_link(page: str = "", **marks: str) -> str:
    """Return the link to a list of loads filtered by marks, with values encoded: ids may contain any character."""
    return f"{page}#loads/" + "&".join(f"{k}={quote(v, safe='')}" for k, v in marks.items())
