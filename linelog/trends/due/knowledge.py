"""What a plant's log told of how its stations wander: learned in the background, kept, and asked for."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict

from linelog.calc.wander.bands import Band, bands
from linelog.calc.wander.knowledge import Knowledge, study
from linelog.calc.wander.log import Track
from linelog.plant.models import Machine, Plant
from linelog.trends import refit
from linelog.trends.due.read import Read
from linelog.trends.models import Fit

KIND = "wander"
#: Learned anew every night, and after every change while there is little.
HOLDS = dt.timedelta(hours=20)
LITTLE = 200
#: What is learned from at the most, so that it stays quick: more tell hardly more.
MOST_PLACES, MOST_VISITS = 120, 30


def kept(plant: Plant) -> Fit | None:
    """Return what is kept, None where nothing is."""
    return Fit.objects.filter(plant=plant, kind=KIND, scope="").first()


def known_by(plant: Plant, at: dt.datetime) -> Knowledge:
    """Return what is known; learned anew where what is kept is old or rests on little."""
    fit = kept(plant)
    if fit is None or fit.rests_on["again"] < LITTLE or not dt.timedelta(0) <= at - fit.made_at < HOLDS:
        fit = learn(plant, at)
    return Knowledge.of(fit.result["knowledge"])


def learn(plant: Plant, at: dt.datetime) -> Fit:
    """Learn from the plant's machines, or from some of them spread evenly, and keep it."""
    tracks, machines = _tracks(plant, at)
    known, held = study(tracks)
    curve = [asdict(one) for one in bands(held.chance, held.out, held.machine)]
    return refit.keep(
        plant,
        KIND,
        "",
        at,
        rests_on={"places": known.places, "again": known.again, "machines": machines},
        result={"knowledge": known.plain(), "curve": curve},
        sentence="",
    )


def curve_of(fit: Fit) -> list[Band]:
    """Return the curve that is kept."""
    return [Band(**one) for one in fit.result["curve"]]


def _tracks(plant: Plant, at: dt.datetime) -> tuple[list[Track], int]:
    ids = list(Machine.objects.filter(line__plant=plant).order_by("line", "pk").values_list("pk", flat=True))
    some = ids[:: max(len(ids) // MOST_MACHINES, 1)]
    read = Read(plant, some, at)
    by_machine = {machine: read.tracks(machine, MOST_VISITS) for machine in some}
    return _evenly([tracks for tracks in by_machine.values() if tracks])


MOST_MACHINES = 40


def _evenly(groups: Sequence[Sequence[Track]]) -> tuple[list[Track], int]:
    """Take whole machines, spread over all of them, until there are enough places."""
    total = sum(len(one) for one in groups)
    step = max(total / MOST_PLACES, 1.0)
    chosen = sorted({int(number * step) for number in range(int(len(groups) / step) + 1)} & set(range(len(groups))))
    return [track for number in chosen for track in groups[number]], len(chosen)
