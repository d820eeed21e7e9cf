"""What a plant calls its machines, shifts and causes, as a file of counts must write it."""

from __future__ import annotations

import datetime as dt
from collections import Counter

from linelog.plant.models import Machine, Plant, Shift
from linelog.production.days import production_day
from linelog.production.models import SpoilageCause
from linelog.production.reading import reader
from linelog.production.reading.cells import Names


def key(name: str) -> str:
    """Return a name as it is compared: one blank between words, small letters."""
    return " ".join(name.split()).lower()


def for_reading(plant: Plant, now: dt.datetime) -> reader.Plant:
    """Return what the reader of a file must know of the plant."""
    machines = Machine.objects.filter(line__plant=plant).values_list("pk", "name", "line__name")
    times = Counter(key(name) for _, name, _ in machines)
    names = {key(f"{line}/{name}"): pk for pk, name, line in machines}
    names |= {key(name): pk for pk, name, _ in machines if times[key(name)] == 1}
    return reader.Plant(
        Names(
            machines=names,
            shifts={key(code): pk for pk, code in Shift.objects.filter(plant=plant).values_list("pk", "code")},
            doubtful=frozenset(name for name, count in times.items() if count > 1),
        ),
        causes=tuple(SpoilageCause.objects.filter(plant=plant).values_list("code", flat=True)),
        today=production_day(plant, now),
    )


def machine_names(plant: Plant) -> dict[int, str]:
    """Return each machine's name as a file must write it: with its line where two have the same."""
    machines = list(Machine.objects.filter(line__plant=plant).values_list("pk", "name", "line__name"))
    times = Counter(key(name) for _, name, _ in machines)
    return {pk: name if times[key(name)] == 1 else f"{line}/{name}" for pk, name, line in machines}
