"""SQL text with names in it: a table or a column can be no parameter, so it is quoted here and only here."""

from __future__ import annotations

from collections.abc import Sequence

from django.db.backends.base.base import BaseDatabaseWrapper


def statement(connection: BaseDatabaseWrapper, text: str, /, **names: str | Sequence[str]) -> str:
    """Fill names of tables and columns into SQL text, each quoted as the engine quotes names; never a value.

    A list of names stands with commas between. Values go in as parameters (`places`), as everywhere.
    """
    quote = connection.ops.quote_name
    told = {key: quote(one) if isinstance(one, str) else ", ".join(map(quote, one)) for key, one in names.items()}
    return text.format_map(told)


def places(values: Sequence[object]) -> str:
    """Return a place for each of so many values."""
    return ", ".join(["%s"] * len(values))
