"""A machine at the time of a finding: how its stations stood, what repeats, how likely each was out, its rates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linelog.alignment.results.status import StationStatus
from linelog.alignment.standing import AS_FOUND, STATIC, Value, worst_key
from linelog.calc.rates import RateRatio, Rates, rate_ratio, rates_per_million
from linelog.calc.repeat import AsFound, Repeat, Together, repeat_problem, together
from linelog.calc.station_state import State
from linelog.calc.wander.knowledge import Knowledge, ahead, surest
from linelog.calc.wander.reach import chance_at
from linelog.plant.models import Plant, Station
from linelog.production.queries import Totals
from linelog.trends import words
from linelog.trends.due.knowledge import MOST_VISITS, kept
from linelog.trends.due.places import chance_words
from linelog.trends.due.tracks import Strokes, kind_of, runs_of
from linelog.trends.queries.then import Log
from linelog.trends.rates import MEASURES, Measure
from linelog.trends.series import OffsetSeries, offset_series


@dataclass(frozen=True, slots=True)
class Stood:
    """A station's seat around that time, static: as the visit before left it, as the one after found it.

    repeat  the rule of repeat problems on the visits before
    risk    the chance that it was out by the day; None where too little is known; surest: told up to this
    """

    station: Station
    seat: str
    before: Value | None
    after: Value | None
    repeat: Repeat
    risk: float | None
    surest: float = 0.0
    stood: tuple[StationStatus, ...] = ()

    @property
    def place(self) -> str:
        """The station and its seat."""
        return words.place(self.station, self.seat)

    @property
    def risk_percent(self) -> str:
        """The chance as it is read."""
        return "–" if self.risk is None else chance_words(self.risk, self.surest)

    @property
    def worse(self) -> StationStatus | None:
        """How the station stood then: the worse of how it was left before and how it was found after."""
        known = [one for one in self.stood if one.figure is not None]
        return min(known, key=lambda one: one.worst_key, default=None)

    @property
    def word(self) -> str:
        """How it stood then, in a word."""
        return self.worse.word if self.worse else State.NOT_MEASURED.value

    @property
    def state(self) -> str:
        """The class that gives the word its shape."""
        return self.worse.css if self.worse else "none"


@dataclass(frozen=True, slots=True)
class Compared:
    """A rate in the week around against the half year before, with exact intervals; None where that is not known."""

    measure: Measure
    week: Rates
    usual: Rates | None
    ratio: RateRatio | None

    def text(self, rates: Rates) -> str:
        """Write a rate with its interval."""
        low, mid, high = (
            f"{part[0] / self.measure.divisor:.{self.measure.decimals}f}"
            for part in (rates.low, rates.rate, rates.high)
        )
        return f"{mid} ({low} to {high})"

    @property
    def week_text(self) -> str:
        """The rate of the week."""
        return self.text(self.week)

    @property
    def usual_text(self) -> str:
        """The usual rate."""
        return self.text(self.usual) if self.usual else "not known"

    @property
    def word(self) -> str:
        """Higher or lower only where the exact interval of the ratio says so."""
        return self.ratio.change.value if self.ratio else "nothing to compare with"

    @property
    def css(self) -> str:
        """The class that gives the word its shape."""
        return {"higher": "above", "lower": "below"}.get(self.word, "no-different")


@dataclass(frozen=True, slots=True)
class Then:
    """A machine's record at the time of a finding."""

    log: Log
    stood: tuple[Stood, ...]
    together: Together
    rates: tuple[Compared, ...]

    @property
    def off(self) -> tuple[Stood, ...]:
        """The places that were out or not proven, the worst first."""
        found = [(one.worse.worst_key, one) for one in self.stood if one.worse and one.state in ("out", "unsure")]
        return tuple(one for _, one in sorted(found, key=lambda pair: pair[0]))


def then(log: Log, plant: Plant) -> Then:
    """Work out the record."""
    static = [value for value in log.values if value.method == STATIC]
    after_id = log.after.pk if log.after else None
    past = [value for value in static if value.visit_id != after_id]
    found_after = {
        (value.station_id, value.seat): value
        for value in static
        if value.visit_id == after_id and value.stage == AS_FOUND
    }
    by_place = {(one.station.pk, one.seat): one for one in offset_series(past, log.stations)}
    fit = kept(plant)
    known = Knowledge.of(fit.result["knowledge"]) if fit else None
    risks = _risks(past, log, known) if known and known.is_enough else {}
    most = surest(known.again) if known else 0.0
    stood = [
        _stood(station, seat, by_place.get(key), found_after.get(key), risks.get(key), most, log, plant)
        for station in log.stations
        for seat in station.seats
        for key in ((station.pk, seat),)
    ]
    return Then(log, tuple(stood), _together(static, log), _rates(log))


def _stood(
    station: Station,
    seat: str,
    past: OffsetSeries | None,
    after: Value | None,
    risk: float | None,
    most: float,
    log: Log,
    plant: Plant,
) -> Stood:
    before = past.values[-1] if past else None  # as left follows as found in a visit
    found = [AsFound(one.x_um, one.y_um, one.verdict == "out") for one in past.found] if past else []
    repeat = repeat_problem(found, out_of=plant.repeat_out, last=plant.repeat_visits)
    stood = tuple(one for one in (log.stand.get(station.pk), log.found_after.get(station.pk)) if one is not None)
    return Stood(station, seat, before, after, repeat, risk, most, stood)


def _risks(past: Sequence[Value], log: Log, known: Knowledge) -> dict[tuple[int, str], float]:
    """Chance that each place was out by the day, from what the visits before left and found."""
    strokes = Strokes.of(log.days.day, log.days.made)
    stations = {station.pk: station for station in log.stations}
    runs = [
        (key, own[-1])
        for key, own in runs_of(past, strokes, log.jolts, log.day_of).items()
        if key[0] in stations and own[-1].pairs
    ]
    tracks = [run.track(0, kind_of(stations[key[0]], key), run.last.limit_um, MOST_VISITS) for key, run in runs]
    jolts = [log.jolts.hit(run.last.visit_at) for _, run in runs]
    curves = ahead(known, tracks, jolts, [(0.0, 0.0, 0.0)] * len(runs))
    made = [strokes.between(log.day_of(run.last.visit_at), log.day) for _, run in runs]
    return {
        key[:2]: float(chance_at(curve.chance, np.array(million)))
        for (key, _), curve, million in zip(runs, curves, made, strict=True)
    }


def _together(static: Sequence[Value], log: Log) -> Together:
    """Whether the stations of the nearest visit had gone off as one: of the one after, else of the last before."""
    nearest = log.after or (log.visits[0] if log.visits else None)
    found = [value for value in static if nearest and value.visit_id == nearest.pk and value.stage == AS_FOUND]
    worst: dict[int, Value] = {}
    for value in sorted(found, key=worst_key):
        worst.setdefault(value.station_id, value)
    if not worst:
        return Together.TOO_FEW
    return together([one.x_um for one in worst.values()], [one.y_um for one in worst.values()])


def _rates(log: Log) -> tuple[Compared, ...]:
    if log.week is None or log.week.made == 0:
        return ()
    usual = log.usual if log.usual is not None and log.usual.made > 0 else None
    return tuple(_compared(measure, log.week, usual) for measure in MEASURES)


def _compared(measure: Measure, week: Totals, usual: Totals | None) -> Compared:
    count, cans = getattr(week, measure.key), week.made
    own = rates_per_million(count, cans)
    if usual is None:
        return Compared(measure, own, None, None)
    base, base_cans = getattr(usual, measure.key), usual.made
    return Compared(measure, own, rates_per_million(base, base_cans), rate_ratio(count, cans, base, base_cans))
