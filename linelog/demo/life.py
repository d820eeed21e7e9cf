"""The twenty months of one machine, day by day: it runs, wanders, is jolted, visited, measured and put right.

`state` is where the stations lie for the running ram; the hanging ram of a static sweep sees each of them higher by
its droop. On a machine that is set with the ram hanging, `state` is what that ram sees, and it runs low by the droop.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelog.alignment.models import Stage, Visit
from linelog.demo import model
from linelog.demo.log import Log
from linelog.demo.measuring import Calling
from linelog.demo.model import ShiftNumbers
from linelog.demo.scenario import Happening, MachinePlan, Scenario
from linelog.demo.site import Site
from linelog.demo.walls import Sampler, gap_um
from linelog.plant.models import Fitting, Person, Plant, Station, ToolingSet
from linelog.production.days import zone
from linelog.production.models import Event

Floats = NDArray[np.float64]
RULING = ("Tool pack", "Domer")  # what tear-offs and spoilage follow in the model
FEEDING = ("Cup locator", "Redraw sleeve")
JARRED = {"jam": ("Cup locator", "Redraw sleeve", "Stripper"), "crash": ("Cup locator", "Stripper", "Domer")}
SHORT = (Station.Kind.REDRAW_SLEEVE, Station.Kind.TOOL_PACK, Station.Kind.DOMER)
MONTH = 30.4
USUAL_WEAR_UM = 8.0  # of a sound bushing over all days
WIRE_SHARE = 0.2  # of the visits that measure bushings also hold them against a wire line


@dataclass(frozen=True, slots=True)
class Setting:
    """What a life takes place in. `first` is day 0; the rows go into `log`."""

    plan: Scenario
    plant: Plant
    first: dt.date
    mechanics: Sequence[Person]
    manager: Person
    quality: Person
    log: Log

    def at(self, day: int, hour: float) -> dt.datetime:
        """Return the plant's wall-clock time of a day."""
        minutes = round(hour * 60)
        time = dt.time(minutes // 60, minutes % 60)
        return dt.datetime.combine(self.first + dt.timedelta(days=day), time, tzinfo=zone(self.plant))


class Life:
    """One machine from day 0 to the day before the loading; `state` (n, 4): where its stations lie, um and um/mm."""

    def __init__(self, setting: Setting, site: Site, plan: MachinePlan, sets: Sequence[ToolingSet]) -> None:
        self.setting, self.site, self.plan, self.sets = setting, site, plan, sets
        self.rng = np.random.default_rng(plan.seed)
        self.drift, places = setting.plan.drift, site.places
        self.days = setting.plan.days
        counting = setting.plan.counts
        idle = counting.idle_share if plan.idle_share is None else plan.idle_share
        shifts = len(setting.plan.shifts)
        self.begun = model.cans(self.rng, self.days, shifts, plan.speed_spm, counting, idle)
        self.state = model.start(self.rng, places, self.drift, plan.drift_share)
        self.mean = model.mean_drift(self.rng, places, self.drift, plan.drift_share, plan.settles)
        self.raised = site.raised(setting.plan.dial.ram_beyond_mm) * (not plan.set_hanging)
        self.severities, self.feeding = np.zeros(self.days), np.zeros(self.days)
        self.states = np.zeros((self.days, *self.state.shape))
        self.reasons: dict[int, str] = {}
        self.fitted: Fitting | None = None
        self.gap_um = 0.0
        self.sampler = Sampler(setting.plan, setting.plant, plan, site, setting.quality)

    @property
    def static(self) -> Floats:
        """Where the stations lie as the hanging ram sees them, (n, 4)."""
        return self.state + self.raised

    def live(self) -> ShiftNumbers:
        """Go through all days; return the counts of every shift."""
        self._plan_visits()
        happenings, changes = self._happenings(), self._tool_changes()
        for day in range(self.days):
            self._wander(day)
            for happening in happenings.get(day, ()):
                self._happen(happening)
            if day in changes:
                self._change_tools(day)
            if day in self.reasons:
                self._visit(day, self.reasons[day])
            if self.begun[day].sum() and self.sampler.is_due(day):
                self._sample(day)
            self.states[day] = self.state
            self.severities[day] = model.severity(self.state, self.site.places, RULING)
            self.feeding[day] = model.severity(self.state, self.site.places, FEEDING)
        plan = self.setting.plan
        return model.shift_numbers(
            self.rng, self.begun, self.severities, self.feeding, plan.counts, plan.causes, self.plan.tear_off_share
        )

    def _plan_visits(self) -> None:
        every = self.plan.every_days or self.setting.plan.visiting.every_days
        day = self.rng.uniform(4.0, every)
        while day < self.days - 2:
            reason = Visit.Reason.TEAR_OFFS if self.rng.random() < 0.15 else Visit.Reason.ROUTINE
            self.reasons[int(day)] = reason
            day += every * self.rng.uniform(0.75, 1.25)

    def _happenings(self) -> dict[int, list[Happening]]:
        jams = self.rng.poisson(self.drift.jams_a_year * self.days / 365.0)
        note = "Cups jammed at the locator; cleared."
        found = [Happening(int(day), "jam", note) for day in self.rng.integers(5, self.days - 3, jams)]
        by_day: dict[int, list[Happening]] = {}
        for one in [*found, *self.plan.events]:
            if one.day < self.days:
                by_day.setdefault(one.day, []).append(one)
        return by_day

    def _tool_changes(self) -> set[int]:
        changes, day = {0}, 0.0
        while True:
            day += self.drift.months_between_tools * MONTH * self.rng.uniform(0.7, 1.3)
            if day >= self.days - 1:
                return changes
            changes.add(int(day))

    def _wander(self, day: int) -> None:
        million = float(self.begun[day].sum()) / 1e6
        settles = self.plan.settles
        if settles and day == settles.until_day:  # the mount was put right: from here on it stays
            self.mean[model.known(self.site.places, (settles.station,))] = 0.0
        self.state += model.step(self.rng, self.site.places, self.drift, self.plan.drift_share, self.mean, million)
        if self.plan.wears:
            self.state[:, :2] += model.wear(self.plan.wears, day / self.days, million)

    def _happen(self, happening: Happening) -> None:
        day = happening.day
        at = self.setting.at(day, self.rng.uniform(7.0, 20.0))
        self.setting.log.events.append(
            Event(
                machine=self.site.machine,
                at=at,
                kind=happening.kind,
                note=happening.note,
                coil_lot=happening.lot,
                by=self.setting.manager,
            )
        )
        if happening.kind in JARRED:
            self.state += model.jolt(self.rng, self.site.places, JARRED[happening.kind], self.drift.jam)
            if happening.kind == "crash" or self.rng.random() < 0.6:
                self.reasons.setdefault(min(day + 1, self.days - 1), Visit.Reason.JAM)

    def _change_tools(self, day: int) -> None:
        at = self.setting.at(day, 6.5)
        number = len([one for one in self.setting.log.fittings if one.machine_id == self.site.machine.pk])
        if self.fitted is not None:
            self.fitted.removed_at, self.fitted.reason_out = at, "To be reground"
            self.state += model.jolt(self.rng, self.site.places, ("Tool pack",), self.drift.tool_change)
        self.fitted = Fitting(tooling_set=self.sets[number % len(self.sets)], machine=self.site.machine, fitted_at=at)
        self.setting.log.fittings.append(self.fitted)
        self.gap_um = gap_um(self.fitted.tooling_set)

    def _sample(self, day: int) -> None:
        """Take a can in the late shift, with the tools that are on."""
        if self.fitted is not None:
            at = self.setting.at(day, self.sampler.rng.uniform(15.0, 21.0))
            tools = self.fitted.tooling_set
            self.setting.log.walls.append(self.sampler.take(day, at, self.static, tools, self.gap_um))

    def _visit(self, day: int, reason: str) -> None:
        """Visit the machine: sweep, move what is proven out, sweep that again, sign."""
        calling = self.call(self.setting.at(day, self.rng.uniform(7.5, 11.5)), reason)
        calling.pass_time(12.0)
        visiting = self.setting.plan.visiting
        short = reason != Visit.Reason.ROUTINE or self.rng.random() < visiting.short_share
        loose = model.rest(self.rng, self.plan.wears)
        advised = {}
        for number, station in enumerate(self.site.stations):
            if not station.is_bushing and (not short or station.kind in SHORT):
                found = calling.sweep(station, Stage.AS_FOUND, self._seen(number, loose, calling))
                advised[number] = calling.advice(found)
        if not short:
            self._bushings(calling, day)
        calling.pass_time(10.0)
        loose_after = model.rest(self.rng, self.plan.wears)
        for number, advice in advised.items():
            station = self.site.stations[number]
            calling.say(station, advice, not_touched=not advice.lines, note=self._note(station))
            if advice.lines:
                self.state[number] += calling.move(station, advice)
                calling.sweep(station, Stage.AS_LEFT, self._seen(number, loose_after, calling))
        calling.pass_time(12.0)
        calling.lock_out(returned=True)
        calling.carry_over()
        for number in model.known(self.site.places, self.plan.running):
            if number in advised:
                self._run(calling, number, day)
        self._sign(calling)

    def _bushings(self, calling: Calling, day: int) -> None:
        """Measure the clearance of the bushings: they wear a little everywhere, and more where the plan says so."""
        rng = np.random.default_rng([self.plan.seed, day, 7])  # of their own, so that the rest of the story stays
        usual = USUAL_WEAR_UM * day / self.days
        for station in self.site.stations:
            if station.is_bushing:
                worn = self.plan.worn_um(day / self.days) if station.kind == Station.Kind.FRONT_BUSHING else 0.0
                calling.bushing(station, usual + worn, rng, position=rng.random() < WIRE_SHARE)

    def _run(self, calling: Calling, number: int, day: int) -> None:
        """Take a running value after the restart; a worn ram hangs lower in its bushings than anybody wrote down."""
        worn = self.plan.worn_um(day / self.days)
        # Numbers of their own, so that the rest of a worn machine's story stays as it was chosen.
        rng = np.random.default_rng([self.plan.seed, day, number]) if self.plan.wears else self.rng
        calling.run(self.site.stations[number], self.static[number, :2], rng, worn)

    def _seen(self, number: int, loose: Floats, calling: Calling) -> Floats:
        seen: Floats = self.static[number].copy()
        places, plan = self.site.places, self.plan
        seen[:2] += loose + model.play(self.rng, places, number, plan.plays)
        seen[:2] += model.warmth(places, number, plan.warms, calling.visit.oil_c)
        return seen

    def _note(self, station: Station) -> str:
        if self.plan.wears and station.kind == Station.Kind.FRONT_BUSHING and self.rng.random() < 0.4:
            return "Scored below; the ram has play."
        if station.name in self.plan.running and station.kind == Station.Kind.DOMER:
            return "Set with the ram hanging. Compare with the running value."
        return ""

    def call(self, at: dt.datetime, reason: str) -> Calling:
        """Open a visit at this time; its lockout is verified eight minutes later."""
        mechanics = self.setting.mechanics
        by = mechanics[int(self.rng.integers(len(mechanics)))]
        visit = Visit(
            machine=self.site.machine,
            tooling_set=self.fitted.tooling_set if self.fitted else None,
            opened_by=by,
            opened_at=at,
            reason=reason,
            minutes_in_state=int(self.rng.integers(20, 120)),
            oil_c=round(float(self.rng.normal(41.0, 2.5)), 1),
            room_c=round(float(self.rng.normal(24.0, 3.0)), 1),
        )
        self.setting.log.visits.append(visit)
        setting = self.setting
        return Calling(setting.log, self.site, setting.plan, setting.plant, self.rng, visit, by, at)

    def _sign(self, calling: Calling) -> None:
        calling.pass_time(6.0)
        visit = calling.visit
        visit.state, visit.signed_by, visit.signed_at = Visit.State.SIGNED, calling.by, calling.at
        self.setting.log.results += calling.results
