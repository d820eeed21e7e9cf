"""Captures of one warm-up side by side: which belong together, what each tells, and what the offset tends to."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import F, Prefetch
from django.utils import timezone

from linelog.alignment.captures.figures import AXES
from linelog.alignment.captures.page import fine
from linelog.alignment.captures.queries import captures_of
from linelog.alignment.captures.working import REFERENCE
from linelog.alignment.models import Capture, CaptureValue
from linelog.calc import frame
from linelog.calc.readings import View
from linelog.calc.uncertainty import coverage_factor
from linelog.calc.units import Unit
from linelog.calc.warm_up import FEWEST, Said, WarmUp, warm_up
from linelog.plant.limits import under_rules
from linelog.plant.models import Machine, Person, Station
from linelog.web import units

#: Captures whose starts lie no farther apart follow one start: minutes are told, not measured. No source.
SAME_START = dt.timedelta(minutes=30)
MOST_LOOKED_AT = 300
MANY_DOF = 1e6
SETTLED_TAUS = 3.0
LEAST_U_UM = 0.01
Phase = CaptureValue.Phase
KEPT_AS = {Phase.FORWARD: "forward", Phase.DOME: "dome", Phase.RETURN: "back"}
MISSING = {
    Said.FEW: "It takes {fewest} captures at different times of one warm-up; so far: {captures}.",
    Said.LEVEL: "It changed by no more than its uncertainty: there is no curve to follow.",
    Said.FAST: "The change was over before the second capture: capture sooner after the start.",
    Said.SHORT: "The captures do not show yet where the change ends: one later in the warm-up is missing.",
}
TOO_SHORT = (
    "The captures cover {span:.0f} minutes and the curve that fits best has a time constant of {tau:.0f}: one later "
    "in the warm-up is missing."
)


@dataclass(frozen=True, slots=True)
class Point:
    """One capture in one phase: offset (across, up) as seen from the station's end, um.

    `u_um` is its standard uncertainty as a whole, `own_um` what the other captures do not share.
    """

    capture: Capture
    phase: Phase
    at_um: tuple[float, float]
    u_um: tuple[float, float]
    own_um: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Trend:
    """One phase along one axis (0 across, 1 up) through the warm-up."""

    phase: Phase
    axis: int
    found: WarmUp

    @property
    def axis_name(self) -> str:
        """How the page calls the axis."""
        return AXES[self.axis][1]

    @property
    def missing(self) -> str:
        """Say why no steady value is told, in one sentence; '' where it is."""
        found = self.found
        if found.said is Said.STEADY:
            return ""
        if found.tau_min is not None and found.span_min < found.tau_min:
            return TOO_SHORT.format(span=found.span_min, tau=found.tau_min)
        return MISSING[found.said].format(fewest=FEWEST, captures=found.captures)


@dataclass(frozen=True, slots=True)
class Series:
    """A warm-up: its captures in order, from one start, by one ring."""

    captures: tuple[Capture, ...]

    @property
    def started_at(self) -> dt.datetime:
        """When the machine started, by its first capture."""
        return start_of(self.captures[0])

    @property
    def key(self) -> int:
        """Number by which a page asks for it: that of its first capture."""
        return int(self.captures[0].pk)


@dataclass(frozen=True, slots=True)
class Told:
    """A warm-up worked out; `station` carries the ring, with the limit of that day."""

    series: Series
    station: Station
    points: tuple[Point, ...]
    trends: tuple[Trend, ...]

    @property
    def silent(self) -> int:
        """How many of its captures tell no offset."""
        return len(self.series.captures) - len({point.capture.pk for point in self.points})

    @property
    def view_words(self) -> str:
        """From which end across is meant."""
        return frame.view_words(View(self.station.view))

    @property
    def settled_min(self) -> float | None:
        """Minutes after which a twentieth of the slowest change is left (exp(-3) = 0.05); None where none is told."""
        taus = [trend.found.curve.tau_min for trend in self.trends if trend.found.curve]
        return SETTLED_TAUS * max(taus) if taus else None


def start_of(capture: Capture) -> dt.datetime:
    """Return when the machine started, by what was told with a capture."""
    return capture.recorded_at - dt.timedelta(minutes=capture.minutes_since_start or 0.0)


def series_of(machine: Machine, user: Person) -> list[Series]:
    """Return the warm-ups of a machine, newest first, from the captures that tell their minutes."""
    values = CaptureValue.objects.filter(seat=REFERENCE).order_by("pk")
    means = {f"{kept}_{axis}": F(f"result__{kept}__ram_{axis}") for kept in KEPT_AS.values() for axis, _ in AXES}
    rows = captures_of(machine, user).filter(
        state=Capture.State.DONE, set_aside_at__isnull=True, minutes_since_start__isnull=False
    )
    found = rows.annotate(**means).prefetch_related(Prefetch("values", queryset=values))[:MOST_LOOKED_AT]
    groups: list[list[Capture]] = []
    for capture in sorted(found, key=lambda one: (one.setup_id, start_of(one), one.pk)):
        last = groups[-1][-1] if groups else None
        together = last is not None and last.setup_id == capture.setup_id
        if last is None or not together or start_of(capture) - start_of(last) > SAME_START:
            groups.append([])
        groups[-1].append(capture)
    made = [Series(tuple(sorted(group, key=lambda one: (one.recorded_at, one.pk)))) for group in groups]
    return sorted(made, key=lambda one: one.captures[-1].recorded_at, reverse=True)


def without_minutes(machine: Machine, user: Person) -> int:
    """Return how many captures stand in no warm-up, since they do not tell their minutes."""
    return captures_of(machine, user).filter(minutes_since_start__isnull=True, set_aside_at__isnull=True).count()


def tell(series: Series) -> Told:
    """Work a warm-up out."""
    first = series.captures[0]
    on = timezone.localtime(first.recorded_at).date()
    station = under_rules([first.setup.station], first.machine.line.plant, first.recorded_at, on)[0]
    points = [
        _point(capture, value, View(station.view))
        for capture in series.captures
        for value in capture.values.all()
        if value.station_id == station.pk
    ]
    phases = [phase for phase in Phase if any(point.phase == phase for point in points)]
    trends = [_trend(points, phase, axis) for phase in phases for axis in (0, 1)]
    return Told(series, station, tuple(points), tuple(trends))


def _point(capture: Capture, value: CaptureValue, view: View) -> Point:
    phase = Phase(value.phase)
    slopes = [one for one in (value, *capture.values.all()) if one.slope_u_x_mm_per_m is not None]
    slope_u = (slopes[0].slope_u_x_mm_per_m or 0.0, slopes[0].slope_u_y_mm_per_m or 0.0) if slopes else (0.0, 0.0)
    own = []
    for (axis, _), lean in zip(AXES, slope_u, strict=True):
        mean = getattr(capture, f"{KEPT_AS[phase]}_{axis}") or {}
        dof = mean.get("dof") or MANY_DOF
        # Few strokes know their own scatter badly: as much wider as Student's factor is than that of many.
        strokes = mean.get("u", 0.0) * coverage_factor(dof) / coverage_factor(MANY_DOF)
        own.append(max(LEAST_U_UM, math.hypot(strokes, lean * value.away_mm)))
    return Point(
        capture,
        phase,
        frame.turn(value.x_um, value.y_um, view),
        (value.u_x_um, value.u_y_um),
        (own[0], own[1]),
    )


def _trend(points: Sequence[Point], phase: Phase, axis: int) -> Trend:
    mine = [point for point in points if point.phase == phase]
    shared = max(math.sqrt(max(0.0, one.u_um[axis] ** 2 - one.own_um[axis] ** 2)) for one in mine)
    found = warm_up(
        [one.capture.minutes_since_start or 0.0 for one in mine],
        [one.at_um[axis] for one in mine],
        [one.own_um[axis] for one in mine],
        shared_u_um=shared,
    )
    return Trend(phase, axis, found)


@dataclass(frozen=True, slots=True)
class TrendRow:
    """A line of the page's table, as text in the reader's unit."""

    phase: str
    axis: str
    seen: str
    steady: str
    within: str
    tau: str
    note: str


def trend_rows(told: Told, unit: Unit) -> list[TrendRow]:
    """Return what each phase and axis tends to, or what is missing to tell."""
    rows = []
    for trend in told.trends:
        found, curve = trend.found, trend.found.curve
        shown = ("", "", "")
        note = trend.missing
        if curve is not None:
            shown = (
                fine(curve.steady_um, unit, signed=True),
                f"{fine(curve.steady_low_um, unit, signed=True)} to {fine(curve.steady_high_um, unit, signed=True)}",
                f"{curve.tau_min:.0f} ({curve.tau_low_min:.0f} to {curve.tau_high_min:.0f})",
            )
            if curve.widened > 1.0:
                note = "They scatter about the curve more than their own uncertainty: the interval allows for it."
        rows.append(
            TrendRow(
                trend.phase.label, trend.axis_name, f"{found.captures} in {found.span_min:.0f} min", *shown, note
            )
        )
    return rows


@dataclass(frozen=True, slots=True)
class PointRow:
    """One capture in one phase, as text in the reader's unit; `first` of its capture."""

    capture: Capture
    minutes: str
    phase: str
    across: str
    up: str


def point_rows(told: Told, unit: Unit) -> list[PointRow]:
    """Return the offsets of the captures with their intervals at 95.45 %."""

    def place(value: float, u: float) -> str:
        return f"{fine(value, unit, signed=True)} ± {fine(2.0 * u, unit)}"

    return [
        PointRow(
            one.capture,
            f"{one.capture.minutes_since_start:.0f}",
            one.phase.label,
            place(one.at_um[0], one.u_um[0]),
            place(one.at_um[1], one.u_um[1]),
        )
        for one in told.points
    ]


def limit_words(told: Told, unit: Unit) -> str:
    """Say the limit of the station's offset."""
    return units.show_um(told.station.limit_um, unit, with_unit=True)
