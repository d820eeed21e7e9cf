"""How soon what comes back is told, and how often wrongly: python -m tests.bench.bench_repeats [PLANTS [FOLDER]]

Each plant is gone through visit by visit, with what was known then: once by the count of visits alone, once with two
plain visits in a row. Of stations that are truly out at four of five visits from their day on: in how many it was
told, and after how many days from that day and from the first visit at which it was out. Of all others: how many were
told a machine-year. Last, how often the 90 % interval of the day it began holds the true one, when it is told first
and at the end.
FOLDER: also plants that come as files (`given_plants.py`); nothing here was set by them. Those of their stations come
back that are truly out at four of five visits; told wrongly is one that was out at fewer than a third of all.
"""

from __future__ import annotations

import datetime as dt
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench import returning_plants as made

PLANTS, SEED = 40, 20270501
STRONG, WEAK = 0.8, 1.0 / 3.0
START = dt.datetime(2025, 1, 1, 8, tzinfo=dt.UTC)
LIMIT_UM, WARM = 40.0, (None, None)


def series_of(place: made.Place) -> Any:
    """Return a place as the program reads it from the log."""
    from linelog.trends.repeats.history import AtVisit, Found, Series

    found, before = [], None
    for one in place.looks:
        at = START + dt.timedelta(days=one.day)
        visit = AtVisit(one.day * 1000 + place.machine, place.machine, at, at.date(), *WARM)
        found.append(Found(visit, _value(visit, place, one.found, one.u), *(before or (None, None))))
        before = (_value(visit, place, one.left, one.u), visit)
    return Series(place.machine * 10 + place.station, "static", tuple(found))


def _value(visit: Any, place: made.Place, share: Any, u: float) -> Any:
    from linelog.alignment.standing import Value
    from linelog.calc.verdict import judge

    x, y = (LIMIT_UM * float(one) for one in share)
    radial, expanded = float(np.hypot(x, y)), 2.0 * u * LIMIT_UM
    judged = judge(radial, expanded, LIMIT_UM)
    at = (visit.pk, visit.at, place.machine * 10 + place.station, "", "as_found", "static")
    return Value(*at, x, y, radial, expanded, LIMIT_UM, judged.verdict.value, judged.severity, False)


@dataclass
class Told:
    """What one way of telling came to."""

    days: list[float] = field(default_factory=list)
    since_seen: list[float] = field(default_factory=list)
    false: int = 0
    half: int = 0

    def words(self, years: float) -> str:
        """Say it in a line."""
        told = np.isfinite(self.days)
        median = [float(np.median(one)) if one else float("nan") for one in (self.days, self.since_seen)]
        return (
            f"{told.mean() if self.days else 0.0:.0%} of {len(self.days)} told, median {median[0]:.0f} days from its "
            f"day, {median[1]:.0f} from the first visit at which it was out; wrongly {self.false / years:.3f} a "
            f"machine-year ({self.half / years:.3f} where out at fewer than half is wrong)"
        )


@dataclass
class Dates:
    """Intervals of the day it began: whether each holds it, and its width in days; None where none is told."""

    held: list[tuple[bool, float] | None] = field(default_factory=list)

    def add(self, series: Any, onset: int) -> None:
        """Ask for the day as the refit does, with the visits that `series` holds."""
        from linelog.trends.repeats.history import History
        from linelog.trends.repeats.onset import days_of, with_onsets
        from linelog.trends.repeats.rule import Rule, station_problem

        one = station_problem(series, Rule(1, 5))
        told = with_onsets(History(0, (series,)), [one] if one else [], {})
        low, _, high = days_of(told[0].began) if told else (None, None, None)
        true = START.date() + dt.timedelta(days=onset)
        width = (high - (low or series.found[0].visit.day)).days if high else 0.0
        self.held.append(((low is None or low <= true) and true <= high, width) if high else None)

    def words(self) -> str:
        """Say it in a line."""
        told = [one for one in self.held if one is not None]
        if not told:
            return "no day told"
        held, width = (np.array(one) for one in zip(*told, strict=True))
        many = f"a day told in {len(told)} of {len(self.held)}"
        return f"{many}, {held.mean():.1%} hold it, {np.median(width):.0f} days wide"


@dataclass
class Tally:
    """A world's plants."""

    before: Told = field(default_factory=Told)
    after: Told = field(default_factory=Told)
    second: list[float] = field(default_factory=list)
    first_dates: Dates = field(default_factory=Dates)
    last_dates: Dates = field(default_factory=Dates)
    years: float = 0.0


def _first_told(place: made.Place, series: Any, known: list[Any], plain: bool) -> int | None:
    """Return the number of the visit at which it is told; `known` is the log of every place, cut at each visit."""
    from linelog.trends.repeats.history import History, Series
    from linelog.trends.repeats.rule import Rule, station_problem
    from linelog.trends.repeats.usual import NOTHING, usual_of

    for number in range(1, len(series.found)):
        if not series.found[number].is_out:
            continue
        now, usual = series.found[number].visit.at, NOTHING
        if plain:
            usual = usual_of([History(0, tuple(_until(one, now) for one in known))])
        one = station_problem(Series(series.station_id, series.method, series.found[: number + 1]), Rule(3, 5, usual))
        if one is not None and one.holds:
            return number
    return None


def _until(series: Any, now: dt.datetime) -> Any:
    return replace(series, found=tuple(found for found in series.found if found.visit.at <= now))


def judge(places: list[made.Place], tally: Tally) -> None:
    """Go through a plant."""
    known = [series_of(one) for one in places]
    tally.years += (1 + max(one.machine for one in places)) * made.DAYS / 365.0
    for place, series in zip(places, known, strict=True):
        if len(place.looks) < 3:
            continue
        onset = place.onset or 0
        planted = place.onset is not None
        after = [one for one in place.looks if one.day >= onset]
        strong = planted and len(after) >= 4 and place.out_share(onset) >= STRONG
        outs = [one.day for one in after if one.true > 1.0]
        if strong:
            tally.second.append(outs[1] - outs[0])
        for plain, told in ((False, tally.before), (True, tally.after)):
            number = _first_told(place, series, known, plain)
            day = np.inf if number is None else float(place.looks[number].day)
            if strong and plain and number is not None and place.onset:
                tally.first_dates.add(replace(series, found=series.found[: number + 1]), onset)
                tally.last_dates.add(series, onset)
            if strong:
                told.days.append(day - onset)
                told.since_seen.append(day - outs[0])
            elif number is not None and (not planted or day < onset):
                told.false += place.out_share() < WEAK
                told.half += place.out_share() < 0.5


def given(folder: Path) -> Iterator[tuple[str, list[made.Place]]]:
    """Read the plants of a folder; a place's day is that of its first visit, if it comes back at all."""
    from tests.bench import given_plants

    for world in sorted(one for one in folder.iterdir() if one.is_dir()):
        for plant in given_plants.plants_of(world):
            yield world.name, _places(given_plants.read(plant))


def _places(plant: Any) -> list[made.Place]:
    limits = {one["name"]: one["limit_um"] for one in plant.about["stations"] if one["kind"] != "bushing"}
    machines = {one["name"]: number for number, one in enumerate(plant.about["machines"])}
    places = {
        (name, station): made.Place(machines[name], number, None)
        for name in machines
        for number, station in enumerate(limits)
    }
    for visit in plant.visits:
        for station, limit in limits.items():
            rows = [row for row in visit.rows if row["station"] == station]
            seats = [row for row in rows if row["stage"] == "as_found"]
            if not seats:
                continue
            worst = max(seats, key=lambda row: np.hypot(row["read_x_um"], row["read_y_um"]))
            left = next((r for r in rows if r["stage"] == "as_left" and r["seat"] == worst["seat"]), worst)
            true = max(float(np.hypot(row["true_x_um"], row["true_y_um"])) for row in seats) / limit
            found, after = (np.array([row["read_x_um"], row["read_y_um"]]) / limit for row in (worst, left))
            day = (visit.day - plant.days[0]).days
            places[visit.machine, station].looks.append(made.Look(day, found, true, after, worst["u_um"] / limit))
    for place in places.values():
        if len(place.looks) >= 4 and place.out_share() >= STRONG:
            place.onset = 0
    return list(places.values())


def show(name: str, tally: Tally) -> None:
    """Print a world."""
    second = np.median(tally.second or [np.nan])
    print(f"\n{name}; the second time out comes {second:.0f} days after the first (median)")
    print(f"  count of visits alone  {tally.before.words(tally.years)}")
    print(f"  two plain ones too     {tally.after.words(tally.years)}")
    if tally.first_dates.held:
        print(f"  began, told first      {tally.first_dates.words()}")
        print(f"  began, at the end      {tally.last_dates.words()}", flush=True)


def run(maker: str, plants: int, seed: int = SEED) -> Tally:
    """Make plants and go through them."""
    tally = Tally()
    for number in range(plants):
        judge(made.MAKERS[maker](np.random.default_rng(seed + number)), tally)
    return tally


def main(arguments: list[str]) -> None:
    """Print all worlds."""
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    django.setup()
    plants = int(arguments[0]) if arguments else PLANTS
    for maker in made.MAKERS:
        show(f"{maker}, {plants} plants", run(maker, plants))
    worlds: dict[str, Tally] = {}
    for world, places in given(Path(arguments[1])) if len(arguments) > 1 else ():
        judge(places, worlds.setdefault(world, Tally()))
    for world, tally in worlds.items():
        show(f"given, {world}", tally)


if __name__ == "__main__":
    main(sys.argv[1:])
