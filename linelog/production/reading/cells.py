"""What each cell means and what is wrong with it, a whole column at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl

MOST_CANS = 5_000_000  # far above what any machine makes in a shift: a slipped digit, not a count
MOST_MINUTES = 1440.0
# '12,0' is 12; '1,000' and '1.440' may be meant as thousands and are refused.
WHOLE_NUMBER = r"^\+?(\d{1,9})[.,]0{1,2}$"
DECIMAL = r"^\+?(\d{1,4}(?:[.,]\d{1,15})?)$"
THOUSANDS = r"^\+?1[.,]\d{3}$"
NEGATIVE = r"^[-−–]\s*\d+(?:[.,]\d+)?$"
ANY_NUMBER = r"^[+\-−–]?\d+(?:[.,]\d+)*$"
# An export guards text that a spreadsheet would take for a formula with an apostrophe; take it off again.
GUARD = r"^'([=+\-@\t])"


@dataclass(frozen=True, slots=True)
class Names:
    """What the plant calls its machines and shifts: casefolded name -> id; names that fit two machines apart."""

    machines: Mapping[str, int]
    shifts: Mapping[str, int]
    doubtful: frozenset[str] = frozenset()


def typed(column: str) -> pl.Expr:
    """Return a cell as it was meant: trimmed, null where it is empty."""
    text = pl.col(column).str.strip_chars()
    return pl.when(text != "").then(text)


def name_key(column: str) -> pl.Expr:
    """Return a name as we compare it: one blank between words, small letters, no guard."""
    return pl.col(column).str.replace(GUARD, "${1}").str.replace_all(r"\s+", " ").str.to_lowercase()


def look_up(names: pl.Series, ids: Mapping[str, int]) -> pl.Series:
    """Return the id that belongs to each name; null where there is none. Works name by name, not row by row."""
    different = pl.DataFrame({"name": names.unique().drop_nulls()}).with_columns(name_key("name").alias("key"))
    known = {name: ids[key] for name, key in different.rows() if key in ids}
    if not known:
        return pl.Series(values=[None], dtype=pl.Int64).new_from_index(0, len(names))
    return names.replace_strict(known, default=None, return_dtype=pl.Int64)


def whole(text: pl.Series) -> pl.Series:
    """Return whole numbers; null where a cell is none or absurd. Only what is not plain digits is looked at twice."""
    number = _twice(text, text.cast(pl.Int64, strict=False), lambda odd: odd.str.extract(WHOLE_NUMBER, 1))
    return number.set(~number.is_between(0, MOST_CANS), None)


def minutes(text: pl.Series) -> pl.Series:
    """Return minutes to the hundredth, comma or point; null where a cell is none."""
    text = text.set(text.str.contains(THOUSANDS) | ~text.str.contains(DECIMAL), None)
    number = text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False).round(2)
    return number.set(~number.is_between(0.0, MOST_MINUTES), None)


def _twice(text: pl.Series, number: pl.Series, second_look: Callable[[pl.Series], pl.Series]) -> pl.Series:
    rows = (number.is_null() & text.is_not_null()).arg_true()
    return (
        number.scatter(rows, second_look(text.gather(rows)).cast(number.dtype, strict=False)) if len(rows) else number
    )


def why_not_name(column: str, what: str, doubtful: frozenset[str] = frozenset()) -> pl.Expr:
    """Return what is wrong with a name that was not found."""
    return (
        pl.when(pl.col(column).is_null())
        .then(pl.lit("empty"))
        .when(name_key(column).is_in(list(doubtful)))
        .then(pl.lit(f"two {what}s of the plant are called so: write line/{what}"))
        .otherwise(pl.lit(f"no such {what} in this plant"))
    )


def why_not_whole(column: str) -> pl.Expr:
    """Return what is wrong with a cell that is no whole number."""
    return _why_not(
        column,
        too_large=(r"^\+?\d+$", f"more than {MOST_CANS:,} in one shift".replace(",", " ")),
        doubtful="not a whole number (write thousands without a sign between)",
    )


def why_not_minutes(column: str) -> pl.Expr:
    """Return what is wrong with a cell that is no number of minutes."""
    return _why_not(
        column, too_large=(r"^\+?\d{2,}([.,]\d+)?$", "not 0 to 1440 minutes"), doubtful="decimals or thousands?"
    )


def _why_not(column: str, *, too_large: tuple[str, str], doubtful: str) -> pl.Expr:
    text = pl.col(column)
    return (
        pl.when(text.is_null())
        .then(pl.lit("empty: write 0 where there were none"))
        .when(text.str.contains(NEGATIVE))
        .then(pl.lit("below zero"))
        .when(text.str.contains(too_large[0]))
        .then(pl.lit(too_large[1]))
        .when(text.str.contains(ANY_NUMBER))
        .then(pl.lit(doubtful))
        .otherwise(pl.lit("not a number"))
    )
