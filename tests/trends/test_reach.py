"""A part of the summaries added up again gives what adding all of them up would give, whatever had changed."""

import datetime as dt

import numpy as np
import pytest

from linelog.alignment.services.amending import AmendedValue, amend_visit
from linelog.plant.models import Shift, ToolingSet
from linelog.plant.services import site, tooling
from linelog.production import sums
from linelog.production.models import ShiftCount, SpoilageCause
from linelog.production.services import counts
from linelog.trends import refit, summaries
from linelog.trends.models import Piece, Stale, Stretch
from linelog.web import followers
from tests import factories
from tests.trends import invented

pytestmark = pytest.mark.django_db
FIRST = dt.date(2026, 1, 5)
TODAY = dt.date(2026, 6, 1)
NOW = dt.datetime(2026, 6, 2, 8, tzinfo=dt.UTC)
CODES = ("DENT", "WALL")
KINDS = ("domer", "stripper", "tool_pack")


class Plant:
    """A machine whose record is changed at random through the services, which leave their notes."""

    def __init__(self, seed):
        self.random = np.random.default_rng(seed)
        self.machine = factories.machine()
        self.plant = self.machine.line.plant
        self.by = factories.person("manager", self.plant)
        for code in CODES:
            SpoilageCause.objects.create(plant=self.plant, code=code, name=code)
        self.shifts = list(Shift.objects.filter(plant=self.plant))
        self.sets = [ToolingSet.objects.create(plant=self.plant, name=name) for name in "ABCD"]
        self.fitted = dt.datetime(2026, 1, 6, 9, tzinfo=dt.UTC)
        self.until = FIRST + dt.timedelta(days=90)
        days = [FIRST + dt.timedelta(days=n) for n in range(90) if self.random.random() < 0.9]
        rows = [
            ShiftCount(machine=self.machine, day=day, shift=shift, **self.numbers().values())
            for day in days
            for shift in self.shifts[:2]
        ]
        ShiftCount.objects.bulk_create(rows)
        sums.refresh(self.machine.pk, FIRST, self.until)
        for day in (12, 40, 55, 82):
            self.visit(FIRST + dt.timedelta(days=day))

    def numbers(self):
        dents, walls, torn = self.random.integers(0, 9, 3).tolist()
        return counts.Numbers(
            cans=int(self.random.integers(1, 90_000)),
            spoiled=dents + walls + torn,
            tear_offs=torn,
            jams=dents,
            minutes_down=float(walls) / 7.0,
            by_cause={"DENT": dents, "WALL": walls},
        )

    def visit(self, day):
        """A visit that measured some of the places only."""
        made = invented.signed_visit(self.machine, self.by, dt.datetime.combine(day, dt.time(10), tzinfo=dt.UTC))
        rows = []
        for kind in KINDS:
            station = self.machine.stations.get(kind=kind)
            if self.random.random() < 0.6:
                for stage in ("as_found", "as_left"):
                    xy = tuple(self.random.normal(0.0, station.limit_um, 2).tolist())
                    rows.append(invented.result(made, station, stage, xy))
        invented.store(rows)
        return made

    def next_day(self):
        """A night's import: the next day, sometimes with a gap before it."""
        self.until = min(self.until + dt.timedelta(days=int(self.random.choice([1, 1, 1, 2, 9]))), TODAY)
        self.enter(self.until)

    def late(self):
        """A shift of a past day, counted already or not."""
        self.enter(FIRST + dt.timedelta(days=int(self.random.integers((self.until - FIRST).days))))

    def lately(self):
        """A shift of the last visit's day, or of one of the days that are compared with those before it."""
        last = self.machine.visits.latest("opened_at").opened_at.date()
        self.enter(min(last + dt.timedelta(days=int(self.random.choice([0, 0, 1, 5, 8, 11, 14, 15]))), self.until))

    def enter(self, day):
        shift = self.shifts[int(self.random.integers(len(self.shifts)))]
        row = ShiftCount.objects.filter(machine=self.machine, day=day, shift=shift).first()
        what = {"by": self.by, "at": NOW}
        if row is None:
            counts.enter(**what, machine=self.machine, day=day, shift=shift, numbers=self.numbers())
        elif self.random.random() < 0.3:
            counts.take_out(**what, count=row, version=row.version)
        else:
            counts.correct(**what, count=row, numbers=self.numbers(), version=row.version)

    def signed(self):
        """A visit signed, on one of the last days or long after it was made."""
        self.visit(self.until - dt.timedelta(days=int(self.random.choice([0, 1, 3, 30]))))
        followers.tell(followers.VISITS, plant_id=self.plant.pk, machines=[self.machine.pk], at=NOW)

    def amended(self):
        """One value of a past visit put right."""
        visits = list(self.machine.visits.order_by("pk"))
        visit = visits[int(self.random.integers(len(visits)))]
        result = visit.results.first()
        if result is not None:
            aside = bool(self.random.random() < 0.5)
            xy = (None, None) if aside else (7.0, -3.0)
            value = AmendedValue(result.station, result.stage, result.seat, *xy, set_aside=aside)
            amend_visit(by=self.by, visit=visit, reason="Typed wrongly.", value=value, at=NOW)

    def tools(self):
        """Another tooling set fitted, some days after the one before."""
        self.fitted = min(self.fitted + dt.timedelta(days=int(self.random.integers(1, 40))), NOW)
        on = self.machine.fittings.filter(removed_at__isnull=True).first()
        free = [one for one in self.sets if on is None or one.pk != on.tooling_set_id]
        if on is None or on.fitted_at < self.fitted:
            tools = free[int(self.random.integers(len(free)))]
            what = {"by": self.by, "at": NOW, "machine": self.machine, "reason_out": "Worn"}
            tooling.fit(**what, tooling_set=tools, fitted_at=self.fitted)


def stored():
    """Every stored row of the summaries, without its own number."""
    return {
        model: [
            {name: value for name, value in row.items() if name != "id"}
            for row in model.objects.order_by(*order).values()
        ]
        for model, order in (
            (Stretch, ["first_day"]),
            (Piece, ["first_day"]),
        )
    }


CHANGES = ("next_day", "next_day", "next_day", "lately", "lately", "late", "signed", "amended", "tools")


@pytest.mark.parametrize("seed", range(12))
def test_a_part_added_up_again_is_the_same_as_all(seed, monkeypatch):
    monkeypatch.setattr(refit, "REFITS", {})
    one, parts = Plant(seed), 0
    refit.mark_all(one.plant, NOW)
    refit.refresh(one.plant, NOW)
    for _ in range(8):
        for change in one.random.choice(CHANGES, int(one.random.integers(1, 3))):
            getattr(one, str(change))()
        for machine, first_day in Stale.objects.values_list("machine", "first_day"):
            assert machine == one.machine.pk
            parts += summaries.read(one.machine, first_day).reach.after is not None
        refit.refresh(one.plant, NOW)
        assert not Stale.objects.exists()
        in_part = stored()
        summaries.store(one.machine, summaries.work_out(one.machine))
        assert in_part == stored()
    assert parts, "nothing was added up in part"


def note():
    return Stale.objects.values_list("notes", "first_day").get()


def test_a_note_reaches_back_to_the_earliest_day_and_nothing_takes_it_forward(db):
    one = Plant(1)
    days = [one.until + dt.timedelta(days=n) for n in range(4)]
    for day, earliest in ((2, 2), (3, 2), (1, 1), (2, 1)):
        one.enter(days[day])
        assert note()[1] == days[earliest]
    one.amended()
    assert note() == (5, None)
    one.enter(days[3])
    assert note() == (6, None)


def test_what_was_never_added_up_is_added_up_whole_although_a_day_alone_came(monkeypatch):
    """After a load or a restore that told nobody."""
    monkeypatch.setattr(refit, "REFITS", {})
    one = Plant(2)
    one.next_day()
    assert note()[1] == one.until
    refit.refresh(one.plant, NOW)
    assert Stretch.objects.count() == 5
    Piece.objects.order_by("first_day").first().delete()
    one.next_day()
    refit.refresh(one.plant, NOW)
    in_part = stored()
    summaries.store(one.machine, summaries.work_out(one.machine))
    assert in_part == stored()


def test_a_visit_that_nobody_told_of_is_no_part_of_what_is_stored(monkeypatch):
    monkeypatch.setattr(refit, "REFITS", {})
    one = Plant(5)
    refit.mark_all(one.plant, NOW)
    refit.refresh(one.plant, NOW)
    one.visit(one.until + dt.timedelta(days=1))  # after all counts: no day of theirs is another's
    one.until += dt.timedelta(days=2)
    one.enter(one.until)
    assert summaries.read(one.machine, one.until).reach.after is None
    refit.refresh(one.plant, NOW)
    in_part = stored()
    summaries.store(one.machine, summaries.work_out(one.machine))
    assert in_part == stored()


def test_a_night_is_added_up_without_reading_the_years_before(monkeypatch):
    monkeypatch.setattr(refit, "REFITS", {})
    one = Plant(3)
    refit.mark_all(one.plant, NOW)
    refit.refresh(one.plant, NOW)
    one.next_day()
    known = summaries.read(one.machine, one.until)
    assert known.reach.after == FIRST + dt.timedelta(days=82)
    assert known.days.day[0] >= np.datetime64(known.reach.after)
    assert len(summaries.work_out(one.machine, one.until).stretches) == 1
    # A day on which the machine was visited, or one before that: everything.
    for day in (82, 81, 20):
        assert summaries.read(one.machine, FIRST + dt.timedelta(days=day)).reach.after is None


def test_another_clock_of_the_plant_makes_everything_stale():
    one = Plant(4)
    admin = factories.person("administrator", one.plant)
    what = {"by": admin, "at": NOW, "plant": one.plant}
    site.change_plant(**what, version=one.plant.version, facts={"name": "Renamed"})
    assert not Stale.objects.exists()
    one.plant.refresh_from_db()
    site.change_plant(**what, version=one.plant.version, facts={"day_starts": dt.time(4)})
    assert note() == (1, None)
