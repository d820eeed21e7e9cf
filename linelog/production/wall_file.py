"""A small CSV of wall samples: one line for each can and height, a column for each clock position.

Knows no database: the plant's machines come in by name, cans and named problems go out. A can of which one line is
bad is left out whole: half of its heights would be another sample.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from linelog.calc.readings import clock_position
from linelog.calc.units import Unit, to_um
from linelog.production.reading.layout import SEPARATORS, plain
from linelog.production.reading.refusal import FileRefused
from linelog.web.units import parse_number

NEEDED = ("machine", "date", "time", "height_mm", "view", "unit")
MAY = ("can", "step", "note")
WALL = "wall_"
FEWEST = 4
MOST_LINES, MOST_BYTES = 1_000, 500_000
UNITS = {"mm": Unit.MM, "um": Unit.UM, "µm": Unit.UM, "μm": Unit.UM, "in": Unit.INCH, "inch": Unit.INCH}
VIEWS = {"open end": "crank", "crank": "crank", "dome": "domer", "domer": "domer"}
POSITIONS = {f"{WALL}{clock_position(angle).replace(':', '')}": float(angle) for angle in range(0, 360, 15)}
USUAL = tuple(f"{WALL}{clock_position(angle).replace(':', '')}" for angle in range(0, 360, 45))
TEMPLATE = (*NEEDED[:3], "can", *NEEDED[3:], "step", *USUAL, "note")
HIGHEST_MM = 400.0
Parsed = TypeVar("Parsed")


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with a cell; nothing of its can is stored."""

    line: int
    column: str
    value: str
    why: str


@dataclass(frozen=True, slots=True)
class Limits:
    """What the file's cells are held against: the time now, the plant's zone, wall bounds, the usual step in um."""

    now: dt.datetime
    zone: dt.tzinfo
    thinnest_um: float
    thickest_um: float
    usual_step_um: float


@dataclass(frozen=True, slots=True)
class Line:
    """A good line: one height of one can. `readings` are angle, um, as typed."""

    number: int
    machine_id: int
    taken_at: dt.datetime
    can: str
    height_mm: float
    view: str
    unit: str
    step_um: float
    note: str
    readings: tuple[tuple[float, float, str], ...]

    written: tuple[str, ...]  # machine, date, time and can as the file has them

    @property
    def key(self) -> tuple[int, dt.datetime, str]:
        """What tells one can from another."""
        return (self.machine_id, self.taken_at, self.can)

    def of_the_can(self) -> Line:
        """Return what the lines of one can must have in common."""
        return replace(self, number=0, height_mm=0.0, readings=(), written=())


@dataclass(slots=True)
class Found:
    """The lines of each whole can, in the order of the file, and the problems in the order of lines."""

    cans: list[list[Line]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    lines: int = 0


class _Bad(Exception):
    def __init__(self, column: str, value: str, why: str) -> None:
        super().__init__(why)
        self.column, self.value, self.why = column, value, why


def decode(content: bytes) -> str:
    """Return the file as text. Raises FileRefused for what is none, or too much."""
    if not content.strip():
        raise FileRefused("The file is empty.")
    if len(content) > MOST_BYTES:
        raise FileRefused(f"This is more than {MOST_BYTES // 1000} kB: send the samples in parts.")
    if b"\x00" in content:
        raise FileRefused("This is not a CSV: save the table as CSV in UTF-8 and send that.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileRefused("The letters of this file are not UTF-8: save it as CSV in UTF-8.") from None


def read(text: str, machines: Mapping[str, int], limits: Limits, *, doubtful: Sequence[str] = ()) -> Found:
    """Read the text; `machines` by their names in small letters. Raises FileRefused where there is no heading."""
    rows = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    heading, separator = _heading(rows[0])
    found: Found = Found()
    good: list[Line] = []
    spoilt: set[tuple[str, ...]] = set()
    for number, cells in _cells(rows, separator):
        found.lines += 1
        if found.lines > MOST_LINES:
            raise FileRefused(f"There are more than {MOST_LINES} lines: send the samples in parts.")
        row = dict(zip(heading, cells, strict=False))
        try:
            if len(cells) > len(heading):
                raise _Bad("", separator.join(cells[len(heading) :]), "more cells than the heading has")
            good.append(_line(number, row, machines, limits, doubtful))
        except _Bad as bad:
            found.problems.append(Problem(number, bad.column, _short(bad.value), bad.why))
            spoilt.add(_written(row))
    _put_together(found, good, spoilt)
    return found


def _cells(rows: Sequence[str], separator: str) -> list[tuple[int, list[str]]]:
    """Return the cells of each line that holds something, with its number; a line is a line of the file."""
    made = []
    for number, row in enumerate(rows[1:], start=2):
        cells = next(csv.reader(io.StringIO(row), delimiter=separator), [])
        if any(cell.strip() for cell in cells):
            made.append((number, [cell.strip() for cell in cells]))
    return made


def _heading(line: str) -> tuple[list[str], str]:
    def names(separator: str) -> list[str]:
        return [plain(cell).replace(":", "") for cell in next(csv.reader([line], delimiter=separator), [])]

    best = max(SEPARATORS, key=lambda separator: len({*names(separator)} & {*NEEDED}))
    heading = names(best)
    missing = [name for name in NEEDED if name not in heading]
    if missing:
        raise FileRefused(
            f"Missing in the first line: {', '.join(missing)}. Download the template to see how it must look."
        )
    twice = sorted({name for name in heading if name and heading.count(name) > 1})
    if twice:
        raise FileRefused(f"The column {twice[0]} stands more than once in the first line.")
    unknown = [name for name in heading if name.startswith(WALL) and name not in POSITIONS]
    if unknown:
        raise FileRefused(
            f"{_short(unknown[0])} is no clock position: write wall_3 for 3 o'clock, wall_130 for 1:30."
        )
    if sum(name in POSITIONS for name in heading) < FEWEST:
        raise FileRefused("There must be columns for at least four clock positions, such as wall_12 and wall_3.")
    return heading, best


def _written(row: Mapping[str, str]) -> tuple[str, ...]:
    return tuple(" ".join(row.get(name, "").split()).lower() for name in ("machine", "date", "time", "can"))


def _line(
    number: int, row: Mapping[str, str], machines: Mapping[str, int], limits: Limits, doubtful: Sequence[str]
) -> Line:
    unit = _one_of(row, "unit", UNITS, "mm, um or inch")
    step = row.get("step", "")
    readings = tuple(
        (angle, _wall(row, name, unit, limits), row[name]) for name, angle in POSITIONS.items() if row.get(name)
    )
    if len(readings) < FEWEST:
        raise _Bad(f"{WALL}…", str(len(readings)), "fewer than four positions have a wall")
    return Line(
        number=number,
        machine_id=_machine(row["machine"], machines, doubtful),
        taken_at=_moment(row, limits),
        can=_text(row, "can", 20),
        height_mm=_number(row, "height_mm", 0.0, HIGHEST_MM),
        view=_one_of(row, "view", VIEWS, "'open end' or 'dome', the end you look at"),
        unit=unit.value,
        step_um=_length(row, "step", unit, 0.01, 100.0) if step else limits.usual_step_um,
        note=_text(row, "note", 200),
        readings=readings,
        written=_written(row),
    )


def _machine(name: str, machines: Mapping[str, int], doubtful: Sequence[str]) -> int:
    key = " ".join(name.split()).lower()
    if not key:
        raise _Bad("machine", name, "empty")
    if key in doubtful:
        raise _Bad("machine", name, "two machines of the plant are called so: write line/machine")
    if key not in machines:
        raise _Bad("machine", name, "no such machine in this plant")
    return machines[key]


def _moment(row: Mapping[str, str], limits: Limits) -> dt.datetime:
    day = _parsed(row, "date", dt.date.fromisoformat, "not a date: write 2026-03-31")
    time = _parsed(row, "time", dt.time.fromisoformat, "not a time of day: write 14:05")
    if day.year < 2000:
        raise _Bad("date", row["date"], "before 2000")
    at = dt.datetime.combine(day, time.replace(tzinfo=None), tzinfo=limits.zone)
    if at.astimezone(dt.UTC).astimezone(limits.zone).replace(tzinfo=None) != at.replace(tzinfo=None):
        raise _Bad("time", row["time"], "the clocks went forward then: there is no such time")
    if at > limits.now:
        raise _Bad("date", row["date"], "a time that has not come yet")
    return at.astimezone(dt.UTC)


def _parsed(row: Mapping[str, str], column: str, how: Callable[[str], Parsed], why: str) -> Parsed:
    value = row.get(column, "")
    try:
        return how(value)
    except ValueError:
        raise _Bad(column, value, why if value else "empty") from None


def _one_of(row: Mapping[str, str], column: str, known: Mapping[str, Parsed], words: str) -> Parsed:
    value = row.get(column, "")
    found = known.get(" ".join(value.split()).lower())
    if found is None:
        raise _Bad(column, value, f"write {words}")
    return found


def _text(row: Mapping[str, str], column: str, longest: int) -> str:
    value = row.get(column, "")
    if len(value) > longest or not value.isprintable():
        raise _Bad(column, value, f"at most {longest} plain letters")
    return value.removeprefix("'") if value[:2] in {"'=", "'+", "'-", "'@"} else value


def _number(row: Mapping[str, str], column: str, least: float, most: float) -> float:
    number = _parsed(row, column, parse_number, "not a number")
    if not least <= number <= most:
        raise _Bad(column, row[column], f"not {least:g} to {most:g}")
    return number


def _length(row: Mapping[str, str], column: str, unit: Unit, least_um: float, most_um: float) -> float:
    size = to_um(_parsed(row, column, parse_number, "not a number"), unit)
    if not least_um <= size <= most_um:
        raise _Bad(column, row[column], f"{size:g} µm is no such length: is the unit right?")
    return size


def _wall(row: Mapping[str, str], column: str, unit: Unit, limits: Limits) -> float:
    return _length(row, column, unit, limits.thinnest_um, limits.thickest_um)


def _put_together(found: Found, good: Sequence[Line], spoilt: set[tuple[str, ...]]) -> None:
    """Gather the lines of each can; a can whose lines do not go together, or of which one is bad, is a problem."""
    cans: dict[object, list[Line]] = {}
    for line in good:
        cans.setdefault(line.key, []).append(line)
    for lines in cans.values():
        problems = [problem for line in lines[1:] if (problem := _beside(line, lines))]
        if not problems and any(line.written in spoilt for line in lines):
            problems = [Problem(lines[0].number, "", "", "another line of this can is bad: the can is left out")]
        found.problems += problems
        if not problems:
            found.cans.append(sorted(lines, key=lambda line: line.height_mm))
    found.problems.sort(key=lambda problem: problem.line)


def _beside(line: Line, lines: Sequence[Line]) -> Problem | None:
    """Return what is wrong with a later line of a can beside the earlier ones."""
    if any(other.height_mm == line.height_mm for other in lines if other.number < line.number):
        return Problem(line.number, "height_mm", f"{line.height_mm:g}", "this can has this height twice")
    if line.of_the_can() != lines[0].of_the_can():
        why = f"view, unit, step and note must be those of line {lines[0].number}: it is the same can"
        return Problem(line.number, "view", line.view, why)
    return None


def _short(text: str, longest: int = 40) -> str:
    clean = " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())
    return clean if len(clean) <= longest else clean[: longest - 1] + "…"
