"""What the program says of plants that come as files: python -m tests.bench.bench_given FOLDER [MOST [WORLD ...]]

FOLDER holds one folder a world, and in it one folder a plant (`given_plants.py`). Each plant goes into a scratch
database as its log and counts would, visit by visit: before each one of the last year the risk of its stations is
asked for as a page does. At the end everything is worked out as the worker does, and stored answers are read: risk
said by tenths against true and found; signals of machines that did nothing, and rises seen; the effect of
misalignment with its interval; what is claimed of visits. Prints one table a world; asserts nothing.
MOST: plants of each world at the most; WORLD: only worlds of these names.
"""

from __future__ import annotations

import datetime as dt
import sys
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench import bench_pages as base
from tests.bench import given_plants as made
from tests.bench.given_table import LATER, SOON, Tally, show

LEARNED_EVERY, LAST_DAYS = 28, 365
WINDOW = 7


def risks(stored: made.Stored, tally: Tally) -> None:
    """Before each visit of the last year, hold what is said of each place against how it then was."""
    from linelog.trends.due.knowledge import learn

    last = stored.given.days[1]
    learned: dt.date | None = None
    for visit in list(stored.next_visits()):
        if (last - visit.day).days >= LAST_DAYS:
            continue
        stored.up_to(visit.day)
        if learned is None or (visit.day - learned).days >= LEARNED_EVERY:
            learn(stored.plant, made.at(visit.day, dt.time(7)))
            learned = visit.day
        _before(stored, visit, tally)
    stored.up_to(last + dt.timedelta(days=1))


def _before(stored: made.Stored, visit: made.GivenVisit, tally: Tally) -> None:
    from linelog.calc.wander.knowledge import Knowledge
    from linelog.calc.wander.said import any_out
    from linelog.trends.due.knowledge import kept
    from linelog.trends.due.places import Place
    from linelog.trends.due.store import work_out
    from linelog.trends.models import MachineDrift

    machine, known = stored.machines[visit.machine].pk, kept(stored.plant)
    if known is None:
        return
    work_out(stored.plant, [machine], Knowledge.of(known.result["knowledge"]), made.at(visit.day))
    drift = MachineDrift.objects.filter(machine=machine).first()
    if drift is None:
        return
    strokes, names, read = _strokes(machine, visit.day), stored.places(visit.machine), visit.read
    said, true = [], []
    for place in map(Place.of, drift.places):
        key = names[place.station, place.seat]
        if not place.is_known or key not in visit.true:
            continue
        done = strokes.between(place.since, visit.day)
        said.append(float(place.chance_after(np.array([done]))[0]))
        true.append(visit.true[key] > place.limit_um)
        tally.said[stored.given.dial].append((said[-1], true[-1], read[key] > place.limit_um))
    if said:
        tally.machines.append((float(any_out(np.array(said), drift.together)), any(true)))


def _strokes(machine: int, before: dt.date) -> Any:
    from linelog.production.queries import fleet_day_counts
    from linelog.trends.due.tracks import Strokes

    found = fleet_day_counts([machine], before - dt.timedelta(days=1100), before - dt.timedelta(days=1))
    return Strokes.of(found.days.day, found.days.made)


def signals(stored: made.Stored, tally: Tally) -> None:
    """Count the signals of machines that did nothing, and the rises that were signalled."""
    from linelog.trends.control.refit import quarters_until
    from linelog.trends.models import Signal

    last = stored.given.days[1]
    first = quarters_until(last)[0]
    rows = Signal.objects.filter(machine__line__plant=stored.plant, rule="line", aside="", day__gte=first)
    told: dict[tuple[str, str], list[dt.date]] = defaultdict(list)
    for machine, measure, day in rows.values_list("machine__name", "measure", "day"):
        told[machine, measure].append(day)
    planted = {one["machine"]: dt.date.fromisoformat(one["day"]) for one in stored.given.truth["planted_rises"]}
    quiet = [name for name in stored.machines if name not in planted]
    years = ((last - first).days + 1) / 365.0
    for measure in ("tear_offs", "spoiled"):
        tally.quiet[measure] += [len(told[name, measure]) / years for name in quiet]
    for name, day in planted.items():
        after = [(one - day).days for one in told[name, "tear_offs"] if one >= day]
        wait = min(after, default=999)
        chance = np.mean([any(0 <= (one - day).days < SOON for one in told[other, "tear_offs"]) for other in quiet])
        tally.seen.append((wait < SOON, wait < LATER, float(chance)))


def misalignment(stored: made.Stored, tally: Tally) -> None:
    """Read the stored answers of both rates over the usual span, by group of stations."""
    from linelog.trends.evidence.scope import SPOILED, TEAR_OFFS, USUAL_SPAN
    from linelog.trends.models import Fit

    claimed = []
    for fit in Fit.objects.filter(plant=stored.plant, kind="misalignment").order_by("scope"):
        measure, station, span = fit.scope.split("/")
        if span != USUAL_SPAN.value or measure not in (TEAR_OFFS, SPOILED):
            continue
        effect = fit.result["effect"]
        tally.effects[measure, station].append(effect and {**effect, "plain": fit.result["plain"]["ratio"]})
        if effect and effect["shown"]:
            claimed.append(f"{measure}/{station} {effect['ratio']:.2f}")
    tally.pages.append(claimed)


def visits(stored: made.Stored, tally: Tally) -> None:
    """Count what is claimed of visits, reasons and machines, and of the page as a whole."""
    from linelog.trends.evidence.before_after_fit import KIND, scope_of
    from linelog.trends.evidence.scope import USUAL_SPAN
    from linelog.trends.models import Fit

    for measure in ("tear_offs", "spoiled"):
        fit = Fit.objects.get(plant=stored.plant, kind=KIND, scope=scope_of(measure, WINDOW))
        if "spans" not in fit.result:
            continue
        columns, span = fit.result["visits"], fit.result["spans"][USUAL_SPAN.value]
        ratio, claimed = dict(zip(columns["visit"], columns["ratio"], strict=True)), set(span["claimed"])
        told = [pk for pk, why in zip(columns["visit"], columns["why"], strict=True) if why == ""]
        ways = [_way(ratio[pk], pk in claimed) for pk in told]
        kinds = {"visit": ways}
        for group in span["groups"]:
            kinds.setdefault(group["kind"], []).append(_way(group["ratio"], group["shown"]))
            if group["kind"] in ("all", "called"):
                name = group["kind"] if group["key"] is None else f"called {group['key']}"
                tally.pooled[f"{measure} {name}"].append((group["ratio"], group["ratio_low"], group["ratio_high"]))
        flat = [way for part in kinds.values() for way in part]
        kinds["page"] = [-1 if -1 in flat else 1 if 1 in flat else 0]
        for kind, found in kinds.items():
            row = tally.visits[f"{measure} {kind}"]
            row[0], row[1], row[2] = row[0] + len(found), row[1] + found.count(-1), row[2] + found.count(1)


def _way(ratio: float, shown: bool) -> int:
    return 0 if not shown else -1 if ratio < 1.0 else 1


def judge(folder: Path, tally: Tally) -> None:
    """Put one plant in, work everything out, and hold it against its truth."""
    from django.db import transaction

    from linelog.trends import refit
    from linelog.web import protection

    given = made.read(folder)
    now = made.at(given.days[1] + dt.timedelta(days=1), dt.time(5))  # the night after the last day
    with protection.lifted():
        stored = made.store(given)
        risks(stored, tally)
    with transaction.atomic():
        refit.mark_all(stored.plant, now)
    refit.refresh(stored.plant, now)
    tally.plants += 1
    tally.truth = given.truth
    for part in (signals, misalignment, visits):
        part(stored, tally)


def main(arguments: list[str]) -> None:
    """Make a scratch database and go through the worlds."""
    import django

    folder, most = Path(arguments[0]), int(arguments[1]) if len(arguments) > 1 else 1000
    django.setup()
    from django.db import connection

    name = connection.settings_dict["NAME"]
    connection.settings_dict["TEST"]["NAME"] = str(Path(base.FOLDER, "given.sqlite3"))
    connection.creation.create_test_db(verbosity=0, serialize=False)
    try:
        for world in sorted(one for one in folder.iterdir() if one.is_dir()):
            if len(arguments) > 2 and world.name not in arguments[2:]:
                continue
            tally = Tally()
            for plant in made.plants_of(world)[:most]:
                begun = time.monotonic()
                judge(plant, tally)
                print(f"  {world.name}/{plant.name}: {time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)
            show(world.name, tally)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)


if __name__ == "__main__":
    main(sys.argv[1:])
