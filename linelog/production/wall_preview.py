"""What a small file of wall samples would do: cans that are new, those stored already, and what is wrong."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from linelog.plant.models import Machine, Plant
from linelog.production import names, wall_file
from linelog.production.days import zone
from linelog.production.models import WallSample
from linelog.production.reading.bounds import TABLES
from linelog.production.reading.cells import Names
from linelog.production.reading.refusal import FileRefused
from linelog.production.wall_file import Limits, Line, Problem
from linelog.production.walls import THICKEST_UM, THINNEST_UM, Can, Ring, odd_words, why_not
from linelog.web import sandbox
from linelog.web.errors import Refused

MOST_HEIGHTS = 2
Stored = dict[tuple[int, dt.datetime, str], set[tuple[float, float, float]]]


@dataclass(slots=True)
class Preview:
    """The cans of a file sorted by what storing would do with them."""

    new: list[Can] = field(default_factory=list)
    same: int = 0
    problems: list[Problem] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)
    lines: int = 0

    def storable(self) -> list[Can]:
        """Return the cans to store; Refused where there is none."""
        if not self.new:
            raise Refused("There is nothing in these lines that is not stored already.", field="content")
        return self.new


def look(text: str, plant: Plant, now: dt.datetime) -> Preview:
    """Read the lines and hold them against the plant and what is stored. Raises FileRefused."""
    known = names.for_reading(plant, now).names
    limits = Limits(now, zone(plant), THINNEST_UM, THICKEST_UM, plant.wall_step_um)
    found = _read(text, known, limits)
    machines = {machine.pk: machine for machine in Machine.objects.filter(line__plant=plant).select_related("line")}
    for machine in machines.values():
        machine.line.plant = plant
    stored = _stored(plant, found.cans)
    preview = Preview(problems=found.problems, lines=found.lines)
    for lines in found.cans:
        _sort_in(preview, lines, machines[lines[0].machine_id], plant, stored)
    preview.problems.sort(key=lambda problem: problem.line)
    return preview


def _read(text: str, known: Names, limits: Limits) -> wall_file.Found:
    """Read the lines where files from outside are read. Raises FileRefused."""
    try:
        found: wall_file.Found = sandbox.call(
            "linelog.production.wall_file:read",
            TABLES,
            text=text,
            machines=known.machines,
            limits=limits,
            doubtful=tuple(known.doubtful),
        )
    except (sandbox.Overrun, sandbox.Broken) as ended:
        raise FileRefused(ended.sentence) from None
    return found


def _sort_in(preview: Preview, lines: list[Line], machine: Machine, plant: Plant, stored: Stored) -> None:
    first = lines[0]
    can = _can(lines, machine)
    if len(lines) > MOST_HEIGHTS:
        why = f"a can has at most {MOST_HEIGHTS} heights"
        preview.problems.append(Problem(first.number, "height_mm", str(len(lines)), why))
    elif first.key in stored:
        if stored[first.key] == {(ring.height_mm, angle, um) for ring in can.rings for angle, um, _ in ring.readings}:
            preview.same += 1
        else:
            why = "this can is stored already with other readings: correct it on its own page"
            preview.problems.append(Problem(first.number, "can", first.can, why))
    elif why := why_not(can, plant):
        preview.problems.append(Problem(first.number, "", "", why))
    else:
        preview.new.append(can)
        preview.odd += [f"Line {first.number}: {words}" for words in odd_words(can.rings)]


def _can(lines: list[Line], machine: Machine) -> Can:
    first = lines[0]
    return Can(
        machine=machine,
        taken_at=first.taken_at,
        view=first.view,
        step_um=first.step_um,
        unit=first.unit,
        rings=tuple(Ring(line.height_mm, line.readings) for line in lines),
        can=first.can,
        note=first.note,
    )


def _stored(plant: Plant, cans: list[list[Line]]) -> Stored:
    """Return the readings of the samples that are stored already, of the times in the file."""
    times = [lines[0].taken_at for lines in cans]
    if not times:
        return {}
    rows = WallSample.objects.filter(
        machine__line__plant=plant, taken_at__gte=min(times), taken_at__lte=max(times)
    ).values_list(
        "machine_id", "taken_at", "can", "rings__height_mm", "rings__readings__angle_deg", "rings__readings__value_um"
    )
    found: Stored = {}
    for machine, at, can, height, angle, value in rows:
        found.setdefault((machine, at, can), set()).add((height, angle, value))
    return found
