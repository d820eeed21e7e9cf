"""Keep the stored signals up to date after every change of the counts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
from django.db import transaction

from linelog.calc.rates import MILLION
from linelog.plant.models import Machine, Plant
from linelog.production.days import production_day
from linelog.production.queries import fleet_day_counts
from linelog.trends import refit
from linelog.trends.control import watched
from linelog.trends.models import Fit, Signal
from linelog.trends.rates import MEASURES, SPOILED, TEAR_OFFS, Measure

KIND, SUMS = "signals", "signal sums"
QUARTERS = 4  # back from the one that today is in; older signals stay as they are
#: Of the budget where both are counted: spoiled cans are so many that a rise is plain with few signals. Own choice.
SHARES = {TEAR_OFFS.key: 0.75, SPOILED.key: 0.25}
SHOWN_DAYS = 364  # of the sums that a machine's page draws
OPEN_DAYS = 91  # a rise on top of a signal that nobody answered is a signal of its own after so many. Own choice.
SAME_DAYS = 14  # a signal that moved by no more, when counts came in late, is still the same event. Own choice.
FIGURES = ("day", "began_on", "back_on", "rate", "centre", "counts", "made", "aside", "refitted_at")
Key = tuple[int, str, dt.date]


def quarters_until(today: dt.date) -> list[dt.date]:
    """Return the first days of the quarters whose signals are worked out anew, the oldest first."""
    newest = 4 * today.year + (today.month - 1) // 3
    return [dt.date(number // 4, 3 * (number % 4) + 1, 1) for number in range(newest - QUARTERS + 1, newest + 1)]


def refit_signals(plant: Plant, now: dt.datetime) -> None:
    """Watch every machine against its line, and store the signals; what people wrote is not touched."""
    quarters = quarters_until(production_day(plant, now))
    machines = Machine.objects.filter(line__plant=plant).order_by("pk").values_list("pk", flat=True)
    fleet = fleet_day_counts(list(machines), quarters[0] - dt.timedelta(days=watched.PAST_DAYS), None)
    series = fleet.by_machine()
    who = watched.roster(plant, series)
    counted = [measure for measure in MEASURES if any(measure.counts(days).any() for days in series.values())]
    rows: dict[Key, Signal] = {}
    for measure in MEASURES:
        if who is None or measure not in counted:
            refit.keep(plant, KIND, measure.key, now, rests_on={}, result={}, sentence="")
            continue
        budget = plant.signals_a_year * (SHARES[measure.key] if len(counted) > 1 else 1.0)
        known = watched.Known(_widths(plant, measure))
        found = watched.watched(watched.line_counts(measure, who, series), who, quarters, budget, known)
        _keep(plant, measure, who, found, {"budget": budget, "widths": known.used}, now)
        rows |= {key_of(row): row for row in _rows(measure, who, found, now) if row.day >= quarters[0]}
    _store(plant, rows, who, quarters[0], now)


def _widths(plant: Plant, measure: Measure) -> dict[str, Any]:
    """Return the widths that the last refit found, by what they rest on."""
    fit = Fit.objects.filter(plant=plant, kind=KIND, scope=measure.key).first()
    return dict(fit.result.get("widths", {})) if fit else {}


def key_of(row: Signal) -> Key:
    """Return what a signal is known by."""
    return (row.machine_id, row.measure, row.day)


def _rows(measure: Measure, who: watched.Roster, found: watched.Watched, now: dt.datetime) -> Iterator[Signal]:
    for one in found.events:
        yield Signal(
            machine_id=who.machines[one.machine],
            measure=measure.key,
            rule=Signal.Rule.LINE,
            up=True,
            day=who.day(one.row),
            began_on=who.day(one.first),
            back_on=None if one.back is None else who.day(one.back),
            rate=one.counts / one.made * MILLION,
            centre=one.expected / one.made * MILLION,
            counts=round(one.counts),
            made=round(one.made),
            refitted_at=now,
        )


def _keep(
    plant: Plant, measure: Measure, who: watched.Roster, found: watched.Watched, by: dict[str, Any], now: dt.datetime
) -> None:
    """Keep what the pages say of the watch itself: its limits, how soon it sees a rise, and who is not watched."""
    last, delay = found.limits[-1], watched.delay_of(found, who)
    width = last.width
    result: dict[str, Any] = {
        **by,
        "quarter": last.begins,
        "provisional": last.provisional,
        "holds": width.holds if width else None,
        "years": width.machine_years if width else None,
        "delay": None
        if delay is None
        else {"soon": delay.soon, "by_chance": delay.by_chance, "median": delay.median, "rises": delay.rises},
        "standing": dict(zip(map(str, who.machines), watched.standing(found), strict=True)),
    }
    rests_on = {"machines": len(who.machines), "days": who.days, "since": who.first, "until": who.day(who.days - 1)}
    refit.keep(plant, KIND, measure.key, now, rests_on=rests_on, result=result, sentence="")
    total, limit = (np.round(part[-SHOWN_DAYS:, 0], 1) for part in (found.seen.total, found.seen.limit))
    first = who.day(who.days - len(total))
    for column, machine in enumerate(who.machines):
        ends = [None if not np.isfinite(one) else one for one in limit[:, column].tolist()]
        sums = {"first": first, "sum": total[:, column].tolist(), "limit": ends}
        refit.keep(plant, SUMS, f"{measure.key}:{machine}", now, rests_on={}, result=sums, sentence="")
    Fit.objects.filter(plant=plant, kind=SUMS, scope__startswith=f"{measure.key}:", made_at__lt=now).delete()


def _store(
    plant: Plant, found: dict[Key, Signal], who: watched.Roster | None, since: dt.date, now: dt.datetime
) -> None:
    """Add what is new, renew what changed, and set aside what is no signal any more and nobody answered."""
    with transaction.atomic():
        Plant.objects.select_for_update(no_key=True).values_list("pk").get(pk=plant.pk)  # one refit at a time
        of_plant = Signal.objects.filter(machine__line__plant=plant)
        earlier = of_plant.exclude(rule=Signal.Rule.LINE).filter(cause="").exclude(aside=Signal.Aside.EARLIER_RULE)
        earlier.update(aside=Signal.Aside.EARLIER_RULE, refitted_at=now)
        stored = {key_of(row): row for row in of_plant.filter(rule=Signal.Rule.LINE, day__gte=since)}
        pairs = _paired(stored, found)
        answered = {
            pairs.get(key, key): production_day(plant, row.closed_at) for key, row in stored.items() if row.closed_at
        }
        kept = _one_an_event(found, answered, who)
        changed = [row for key, row in stored.items() if _renewed(row, kept.get(pairs.get(key, key)), now)]
        Signal.objects.bulk_update(changed, FIGURES, batch_size=200)
        known = set(pairs.values())
        Signal.objects.bulk_create([row for key, row in kept.items() if key not in known], batch_size=500)


def _paired(stored: Iterable[Key], found: Iterable[Key]) -> dict[Key, Key]:
    """Say which event found now each stored signal is: that of its day, else the nearest that no other is."""
    stored, found = set(stored), set(found)
    pairs = {key: key for key in stored & found}
    left = found - stored
    for key in sorted(stored - found):
        near = [one for one in left if one[:2] == key[:2] and abs((one[2] - key[2]).days) <= SAME_DAYS]
        if near:
            pairs[key] = min(near, key=lambda one: (abs((one[2] - key[2]).days), one))
            left.discard(pairs[key])
    return pairs


def _one_an_event(
    found: dict[Key, Signal], answered: Mapping[Key, dt.date], who: watched.Roster | None
) -> dict[Key, Signal]:
    """Leave out what follows on a signal that was neither answered nor over by then: it is the same event."""
    kept: dict[Key, Signal] = {}
    last: dict[tuple[int, str], Signal] = {}
    for key in sorted(found):
        row, before = found[key], last.get(key[:2])
        if before is None or _is_over(before, row.day, answered.get(key_of(before)), who):
            kept[key] = last[key[:2]] = row
    return kept


def _is_over(before: Signal, day: dt.date, answered_on: dt.date | None, who: watched.Roster | None) -> bool:
    if (day - before.day).days > OPEN_DAYS or (before.back_on is not None and before.back_on <= day):
        return True
    if answered_on is not None and answered_on < day:
        return True
    return who is not None and who.was_renewed(before.machine_id, before.day, day)


def _renewed(row: Signal, now_found: Signal | None, now: dt.datetime) -> bool:
    """Put the figures of today into a stored row; return whether any of them is another.

    What somebody answered stays as it was answered; only the day on which the rate was back is still added.
    """
    names = ["back_on"] if row.is_answered else [name for name in FIGURES if name != "refitted_at"]
    before = [getattr(row, name) for name in names]
    if now_found is not None:
        for name in names:
            setattr(row, name, getattr(now_found, name))
    elif not row.is_answered:
        row.aside = Signal.Aside.NO_LONGER
    row.refitted_at = now
    return before != [getattr(row, name) for name in names]
