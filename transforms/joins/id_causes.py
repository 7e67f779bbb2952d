"""Likely cause of ids that match nothing: the spelling under which most of them would match, if there is one.

Each hypothesis rewrites the ids of both sources. It is accepted if it makes most of the unmatched ids match, if it
keeps different ids different, and if the matches are more than ids of that form give by chance.
"""

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from transforms.contracts.reason import Reason, reason

Rewrite = Callable[[pl.Expr], pl.Expr]

MIN_SHARE = 0.5
"""Smallest share of the unmatched ids that a hypothesis must explain."""
MIN_DISTINCT = 0.98
"""Smallest share of ids that must stay different after rewriting."""
NEARLY_BEST = 0.95
"""A simpler hypothesis is preferred if it explains this share of the ids that the best one explains."""
MIN_NUMBER_MATCHES = 3
"""Minimum number of matches for a hypothesis that compares only the digits."""
MIN_ABOVE_CHANCE = 1.5
"""Minimum ratio of the share of matches to that expected of numbers drawn from the same range."""


@dataclass(frozen=True)
class IdCause:
    """Likely cause of unmatched ids.

    Attributes:
        code: code of the cause.
        share: share of the unmatched ids that it explains.
        example: an unmatched id.
        like: the id it would match.
    """

    code: str
    share: float
    example: str
    like: str

    @property
    def why(self) -> Reason:
        """The cause as a reason."""
        texts = {"example": self.example, "like": self.like}
        match self.code:
            case "ids_number_format":
                return reason("ids_number_format", **texts)
            case "ids_letter_case":
                return reason("ids_letter_case", **texts)
            case "ids_leading_zeros":
                return reason("ids_leading_zeros", **texts)
            case "ids_separators":
                return reason("ids_separators", **texts)
            case "ids_spelling":
                return reason("ids_spelling", **texts)
        return reason("ids_prefix", **texts)


def _without_decimals(ids: pl.Expr) -> pl.Expr:
    return ids.str.replace(r"^(\d+)[.,]0+$", "${1}")


def _without_zeros(ids: pl.Expr) -> pl.Expr:
    return ids.str.replace_all(r"(^|\D)0+(\d)", "${1}${2}")


def _without_separators(ids: pl.Expr) -> pl.Expr:
    return ids.str.replace_all(r"[^\p{L}\p{N}]", "")


def _plain(ids: pl.Expr) -> pl.Expr:
    """Return ids without differences of case, separators, decimals and leading zeros."""
    return _without_separators(_without_zeros(_without_decimals(ids.str.to_lowercase())))


def _first_number(ids: pl.Expr) -> pl.Expr:
    return _without_decimals(ids).str.extract(r"0*(\d+)")


def _last_number(ids: pl.Expr) -> pl.Expr:
    return _without_decimals(ids).str.extract(r"0*(\d+)\D*$")


def _all_digits(ids: pl.Expr) -> pl.Expr:
    return _without_decimals(ids).str.replace_all(r"\D", "").str.replace(r"^0+(\d)", "${1}")


def _letters_last(ids: pl.Expr) -> pl.Expr:
    """Return the last word of an id: without a prefix that ends in a separator."""
    return ids.str.to_lowercase().str.extract(r"([\p{L}\p{N}]+)$")


HYPOTHESES: tuple[tuple[str, Rewrite], ...] = (
    ("ids_number_format", _without_decimals),
    ("ids_letter_case", lambda ids: ids.str.to_lowercase()),
    ("ids_leading_zeros", _without_zeros),
    ("ids_separators", _without_separators),
    ("ids_spelling", _plain),
    ("ids_prefix", _letters_last),
    ("ids_prefix", _all_digits),
    ("ids_prefix", _last_number),
    ("ids_prefix", _first_number),
)
"""Causes from the simplest to the broadest, each with the rewriting under which the ids agree."""


def find_id_cause(unmatched: pl.Series, known: pl.Series) -> IdCause | None:
    """Return the simplest spelling under which most unmatched ids match known ids; None if there is none.

    Args:
        unmatched: ids that match nothing.
        known: ids of the other source.

    Returns:
        The cause with the share of unmatched ids that it explains, 0 to 1, and an example.
    """
    wrong, right = unmatched.drop_nulls().unique().sort(), known.drop_nulls().unique().sort()
    if not wrong.len() or not right.len():
        return None
    found = [cause for code, rewrite in HYPOTHESES if (cause := _try_rewriting(code, rewrite, wrong, right))]
    if not found:
        return None
    best = max(cause.share for cause in found)
    return next(cause for cause in found if cause.share >= NEARLY_BEST * best)


def _try_rewriting(code: str, rewrite: Rewrite, wrong: pl.Series, right: pl.Series) -> IdCause | None:
    left = pl.DataFrame({"id": wrong}).with_columns(rewrite(pl.col("id")).alias("form")).drop_nulls()
    other = pl.DataFrame({"like": right}).with_columns(rewrite(pl.col("like")).alias("form")).drop_nulls()
    if not left.height or not other.height:
        return None
    if left["form"].n_unique() < MIN_DISTINCT * left.height or other["form"].n_unique() < MIN_DISTINCT * other.height:
        return None
    matches = left.join(other.unique("form", keep="first", maintain_order=True), on="form", maintain_order="left")
    share = matches.height / wrong.len()
    is_by_number = code == "ids_prefix"
    if share < MIN_SHARE or (is_by_number and matches.height < MIN_NUMBER_MATCHES):
        return None
    if is_by_number and not _is_above_chance(share, left["form"], other["form"], matches):
        return None
    return IdCause(code, share, matches["id"][0], matches["like"][0])


def _is_above_chance(share: float, left: pl.Series, other: pl.Series, matches: pl.DataFrame) -> bool:
    """Return True if numbers drawn from the range of the unmatched ones would match clearly less often.

    Where the known numbers fill their range, every number in it matches; then the ids must differ by one constant
    prefix or suffix.
    """
    numbers, known = (s.cast(pl.Int64, strict=False).drop_nulls() for s in (left, other))
    if numbers.len() < left.len() or not known.len():
        return True
    low, high = min(numbers), max(numbers)
    within = len([n for n in known if low <= n <= high])
    width = high - low + 1
    return share > MIN_ABOVE_CHANCE * within / width or _differs_by_constant(matches)


def _differs_by_constant(matches: pl.DataFrame) -> bool:
    """Return True if what one id has beyond the other is the same in nearly all pairs."""
    longer = pl.col("id").str.len_chars() > pl.col("like").str.len_chars()
    outer = pl.when(longer).then("id").otherwise("like").str.replace_all(r"\d+", "#")
    shapes = matches.select(outer.alias("shape"))["shape"].value_counts(sort=True)
    return bool(shapes["count"][0] >= NEARLY_BEST * matches.height)
