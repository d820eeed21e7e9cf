"""The columns of a file of counts: our own plain layout, the same for CSV and XLSX and for what we export."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from linelog.production.reading.refusal import FileRefused

KEYS = ("machine", "date", "shift")
WHOLE = ("cans", "spoiled", "tear_offs", "short_cans", "jams")
MINUTES = "minutes_down"
NEEDED = (*KEYS, *WHOLE, MINUTES)
CAUSE = "spoiled:"
MOST_COLUMNS = 64
SEPARATORS = (",", ";", "\t", "|")


@dataclass(frozen=True, slots=True)
class Layout:
    """What stands where. `columns` gives the name of each column in its order, None for one that is not read."""

    columns: tuple[str | None, ...]
    causes: tuple[str, ...]
    not_read: tuple[str, ...] = ()


def plain(cell: str | None) -> str:
    """Return a heading as we compare it: 'Tear-offs' is 'tear_offs'."""
    text = (cell or "").strip().strip("\ufeff").strip()
    if text.lower().startswith(CAUSE):
        return CAUSE + text[len(CAUSE) :].strip().casefold()
    return re.sub(r"[\s\-]+", "_", text.casefold())


def split(line: str, separator: str) -> list[str]:
    """Return the cells of one line."""
    return next(csv.reader([line], delimiter=separator), [])


def find_separator(line: str) -> str:
    """Return the sign between the columns: the one that makes most of our names out of the heading."""

    def known(separator: str) -> int:
        names = {plain(cell) for cell in split(line, separator)}
        return len(names.intersection(NEEDED))

    best = max(SEPARATORS, key=known)
    if known(best) < 2:
        raise FileRefused(
            f"The first line must be a heading with the columns {', '.join(NEEDED)}; "
            f"it begins with '{_short(line)}'. Download the template to see how."
        )
    return best


def read_heading(cells: Sequence[str | None], causes: Sequence[str]) -> Layout:
    """Match the heading with our columns; `causes` are the plant's cause codes. Raises FileRefused."""
    cells = _without_empty_end(cells)
    if len(cells) > MOST_COLUMNS:
        raise FileRefused(f"The file has {len(cells)} columns; {MOST_COLUMNS} is the most that is read.")
    by_name = {name: name for name in NEEDED} | {CAUSE + code.casefold(): CAUSE + code for code in causes}
    names = [plain(cell) for cell in cells]
    columns = tuple(by_name.get(name) for name in names)
    _refuse_unknown_causes(names, by_name, causes)
    twice = [name for name, times in Counter(filter(None, columns)).items() if times > 1]
    if twice:
        raise FileRefused(f"The column {twice[0]} stands more than once in the heading.")
    missing = [name for name in NEEDED if name not in columns]
    if missing:
        raise FileRefused(
            f"Missing in the heading: {', '.join(missing)}. Where nothing is counted, put the column in with zeros."
        )
    found = tuple(name.removeprefix(CAUSE) for name in columns if name and name.startswith(CAUSE))
    not_read = tuple(_short(cell) for cell, name in zip(cells, columns, strict=True) if name is None and plain(cell))
    return Layout(columns, found, not_read)


def _without_empty_end(cells: Sequence[str | None]) -> list[str | None]:
    kept = list(cells)
    while kept and not plain(kept[-1]):
        kept.pop()
    return kept


def _refuse_unknown_causes(names: list[str], by_name: dict[str, str], causes: Sequence[str]) -> None:
    unknown = [name.removeprefix(CAUSE) for name in names if name.startswith(CAUSE) and name not in by_name]
    if unknown:
        known = ", ".join(sorted(causes)) or "none yet"
        raise FileRefused(
            f"No spoilage cause has the code '{_short(unknown[0])}' (the codes are: {known}). "
            "Add it on the page of causes, or correct the heading."
        )


def _short(text: str | None, longest: int = 40) -> str:
    clean = " ".join(re.sub(r"[^\x20-\x7e\u00a0-\uffff]", " ", text or "").split())
    return clean if len(clean) <= longest else clean[: longest - 1] + "…"
