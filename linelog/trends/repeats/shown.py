"""A repeat problem as its pages show it: rows and sentences, lengths in the reader's unit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from linelog.calc.frame import clock_words
from linelog.calc.readings import View, clock_deg
from linelog.calc.units import Unit
from linelog.plant.models import Person
from linelog.trends import words
from linelog.trends.addresses import visit_url
from linelog.trends.models.repeats import RepeatProblem
from linelog.trends.repeats import queries, said
from linelog.trends.repeats.history import Found
from linelog.trends.repeats.queries import Look, Month, Seen
from linelog.trends.repeats.said import view_of
from linelog.web import units

MOST_FIRST = 6


@dataclass(frozen=True, slots=True)
class Line:
    """A problem in a list."""

    problem: RepeatProblem
    often: str
    way: str
    fast: str
    usually: str
    last: str
    state: str
    css: str


def line(problem: RepeatProblem) -> Line:
    """Say a problem in a line of a list."""
    return Line(
        problem,
        said.how_often(problem),
        said.which_way(problem),
        said.how_fast(problem),
        said.USUALLY[said.Pattern(problem.pattern)],
        said.last_time(problem),
        said.state(problem),
        said.css(problem),
    )


@dataclass(frozen=True, slots=True)
class FirstFew:
    """The problems that somebody should take up, the first few of how many."""

    lines: tuple[Line, ...]
    more: int


def first_few(user: Person) -> FirstFew:
    """Return the problems that wait for somebody, for the front page; one query."""
    rows = list(queries.waiting(user))
    return FirstFew(tuple(line(problem) for problem in rows[:MOST_FIRST]), max(0, len(rows) - MOST_FIRST))


def lines_of(machine_id: int) -> list[Line]:
    """Return the problems of one machine; one query."""
    return [line(problem) for problem in queries.of_machine(machine_id)]


@dataclass(frozen=True, slots=True)
class VisitRow:
    """A visit as the page lists it, the newest first."""

    url: str
    day: str
    seat: str
    offset: str
    limit: str
    toward: str
    verdict: str
    css: str
    is_one: bool
    since_left: str
    moved: str
    warm: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class TogetherRow:
    """A visit of a machine whose stations go together, the newest first."""

    url: str
    day: str
    is_one: bool
    out: str
    mean: str
    toward: str
    measured: int
    warm: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """What the page of a problem says beside its drawing."""

    visits: tuple[VisitRow, ...]
    together: tuple[TogetherRow, ...]
    months: tuple[Month, ...]
    sure: str
    plain: str
    began: str
    noticed: str
    creep: str
    warm: str
    check: str
    usually: str


def shown(look: Look, unit: Unit) -> Shown:
    """Make the rows and sentences of the page of a problem."""
    pattern = said.Pattern(look.problem.pattern)
    is_machine = look.problem.kind == RepeatProblem.Kind.MACHINE
    newest = sorted(look.seen, key=lambda seen: (seen.found.visit.at, seen.found.value.station_id), reverse=True)
    return Shown(
        visits=() if is_machine else tuple(_row(seen, unit, view_of(look.problem)) for seen in newest),
        together=tuple(_together(at_once, look.names, unit) for at_once in _by_visit(newest)) if is_machine else (),
        months=tuple(reversed(look.months)),
        sure=said.how_sure(look.problem),
        began=said.since_when(look.problem),
        noticed=said.noticed(look.problem),
        plain=said.how_plain(look.problem, look.rule),
        creep=_creep(look, unit),
        warm=said.temperature(look),
        check=said.CHECK[pattern],
        usually=said.USUALLY[pattern],
    )


def _by_visit(newest: list[Seen]) -> list[list[Seen]]:
    visits: dict[int, list[Seen]] = {}
    for seen in newest:
        visits.setdefault(seen.found.visit.pk, []).append(seen)
    return list(visits.values())


def _together(at_once: list[Seen], names: dict[int, str], unit: Unit) -> TogetherRow:
    values = [seen.found.value for seen in at_once]
    out = [seen.found.value for seen in at_once if seen.found.is_out]
    x, y = (sum(part) / len(values) for part in zip(*((one.x_um, one.y_um) for one in values), strict=True))
    visit = at_once[0].found.visit
    return TogetherRow(
        url=visit_url(visit.pk),
        day=words.date(visit.day),
        is_one=at_once[0].is_one,
        out=", ".join(names.get(one.station_id, "") for one in reversed(out)),
        mean=units.show_um(math.hypot(x, y), unit),
        toward=clock_words(clock_deg(x, y), View.CRANK),
        measured=len(values),
        warm=_warm(at_once[0].found),
    )


def _row(seen: Seen, unit: Unit, view: View) -> VisitRow:
    found, value = seen.found, seen.found.value
    moved, strokes = "–", "–"
    if found.left is not None:
        gone = math.hypot(value.x_um - found.left.x_um, value.y_um - found.left.y_um)
        moved = units.show_um(gone, unit)
    if found.strokes_million:
        strokes = f"{found.strokes_million:.1f}"
    return VisitRow(
        url=visit_url(found.visit.pk),
        day=words.date(found.visit.day),
        seat=words.SEATS[value.seat],
        offset=units.show_um(value.radial_um, unit),
        limit=units.show_um(value.limit_um, unit),
        toward=clock_words(value.direction_deg, view) if value.radial_um > 0.0 else "–",
        verdict=f"{found.word} by its tilt" if found.by_tilt else found.word,
        css=found.status.css if found.status else words.VERDICT_STATES[value.verdict],
        is_one=seen.is_one,
        since_left=strokes,
        moved=moved,
        warm=_warm(found),
    )


def _warm(found: Found) -> tuple[tuple[str, float], ...]:
    """Return the temperatures of a visit in °C, those that were written down."""
    known = (("oil", found.visit.oil_c), ("room", found.visit.room_c))
    return tuple((name, c) for name, c in known if c is not None)


def _creep(look: Look, unit: Unit) -> str:
    """Say how fast the station goes, from how it was left to how it was found."""
    if look.problem.kind != RepeatProblem.Kind.STATION:
        return ""
    if look.drift is None:
        return f"Its creep is not known yet: {words.plural(look.pairs, 'pair')} of visits, and three are needed."
    x, y = (float(part) for part in look.drift.mean_um)
    size = units.show_um(math.hypot(x, y), unit, with_unit=True)
    toward = clock_words(clock_deg(x, y), view_of(look.problem))
    walk = units.show_um(math.sqrt(float(look.drift.cov_um2.trace()) / 2.0), unit, with_unit=True)
    return (
        f"From as left to next as found it creeps {size} per million strokes toward {toward}, and wanders "
        f"{walk} each way besides ({words.plural(look.pairs, 'pair')} of visits, "
        f"{look.drift.strokes_million:.0f} million strokes)."
    )
