"""The demonstration loads into an empty database, the same every time, and into no other."""

import datetime as dt
import io

import pytest
from django.core.management import CommandError, call_command
from django.db import transaction
from django.db.models import Sum

from linelog.alignment.models import Reading, Visit
from linelog.demo import load, scenario
from linelog.plant.models import Machine, MarkAssignment, Person, Plant, ToolPart
from linelog.production.models import DayCount, ShiftCount
from linelog.web import pins
from linelog.web.errors import Refused
from linelog.web.models import AuditEvent
from linelog.web.permissions import Role
from tests import factories

pytestmark = pytest.mark.django_db
NOW = dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC)
SMALL = scenario.read().only(["BM 14", "BM 25", "BM 27"], days=61)


def figures(at):
    """Everything that must be the same at every load, days counted from the load; nothing is kept."""
    with transaction.atomic():
        load.load(SMALL, at=at)
        today = at.date()
        days = [
            (
                (today - row.day).days,
                row.machine.name,
                row.shift.code,
                row.cans,
                row.spoiled,
                row.tear_offs,
                row.by_cause,
            )
            for row in ShiftCount.objects.select_related("machine", "shift").order_by("machine", "day", "shift")
        ]
        typed = list(Reading.objects.order_by("pk").values_list("typed", "angle_deg", "repeat"))
        transaction.set_rollback(True)
    return days, typed


def test_every_load_gives_the_same_numbers_whatever_the_day():
    """In summer and in winter, so that neither the calendar nor a change of clocks comes in."""
    assert figures(NOW) == figures(dt.datetime(2027, 1, 3, 21, 5, tzinfo=dt.UTC))


def test_the_last_day_counted_is_the_day_before_the_load_and_daily_sums_agree():
    said = []
    stored = load.load(SMALL, at=NOW, say=said.append)
    last = ShiftCount.objects.order_by("-day").first().day
    assert last == dt.date(2026, 6, 14)
    assert ShiftCount.objects.order_by("day").first().day == last - dt.timedelta(days=60)
    shifts = ShiftCount.objects.aggregate(cans=Sum("cans"), torn=Sum("tear_offs"), down=Sum("minutes_down"))
    days = DayCount.objects.aggregate(cans=Sum("cans"), torn=Sum("tear_offs"), down=Sum("minutes_down"))
    assert shifts == pytest.approx(days)
    assert stored["shifts"] == ShiftCount.objects.count()
    assert any(line.startswith("BM 14:") for line in said)


def test_no_tool_has_run_longer_than_tools_live():
    """A punch or a die makes some million cans before it is ground again or renewed (common practice, no source)."""
    load.load(SMALL, at=NOW)
    rows = dict(ToolPart.objects.values_list("serial", "cans_run"))
    assert len(rows) == ToolPart.objects.count() >= 3 * 2 * 8
    assert 0 <= min(rows.values()) < max(rows.values()) < 10_000_000
    dies = ToolPart.objects.filter(kind__startswith="ironing_die")
    assert 100_000 < max(dies.values_list("cans_run", flat=True)) < 5_000_000
    begun = DayCount.objects.aggregate(sum=Sum("cans"))["sum"]
    assert begun > 20_000_000, "more than the tools that are on could have made: some were renewed"


def test_the_plant_is_called_invented_and_the_history_says_who_loaded_it():
    load.load(SMALL, at=NOW)
    plant = Plant.objects.get()
    assert plant.is_invented
    assert "invented" in plant.name
    event = AuditEvent.objects.get()
    assert (event.action, event.actor_name, event.plant_id) == ("loaded demonstration", "the program", plant.pk)


def test_a_database_with_a_plant_is_left_alone_in_one_sentence():
    mine = factories.plant()
    with pytest.raises(CommandError, match=r"^There is a plant in this database already: .+\.$"):
        call_command("load_demo", stdout=io.StringIO())
    assert Plant.objects.get() == mine
    assert not Visit.objects.exists()


def test_a_load_that_breaks_off_leaves_nothing(monkeypatch):
    def broken(self):
        raise OSError("disk full")

    monkeypatch.setattr(load.Log, "store", broken)
    with pytest.raises(OSError, match="disk full"):
        load.load(SMALL, at=NOW)
    assert not Plant.objects.exists()
    assert not ShiftCount.objects.exists()
    monkeypatch.undo()
    assert load.load(SMALL, at=NOW)["machines"] == 3  # and it may be tried again


def test_everybody_signs_in_by_password_and_takes_a_tablet_over_by_pin(client):
    load.load(SMALL, at=NOW)
    roles = set()
    for who in SMALL.people:
        person = Person.objects.get(username=who.username)
        roles.add(person.role)
        assert person.check_password(SMALL.password)
        assert person.is_staff == (person.role == Role.ADMINISTRATOR)
        if who.pin:
            assert pins.weakness(who.pin) == ""
        device = Person.objects.get(username="viewer")
        assert pins.takers(device).filter(pk=person.pk).exists() == bool(who.pin)
    assert roles == {role.value for role in Role}
    answer = client.post("/sign-in/", {"username": "mechanic", "password": SMALL.password})
    assert answer.status_code == 302


def test_pins_differ_and_are_hashed():
    load.load(SMALL, at=NOW)
    given = [who.pin for who in SMALL.people if who.pin]
    assert len(set(given)) == len(given)
    hashes = set(Person.objects.values_list("pin_hash", flat=True)) - {""}
    assert len(hashes) == len(given)
    assert not hashes & set(given)


def test_the_sign_ins_are_printed_as_a_table():
    out = io.StringIO()
    call_command("demo_people", stdout=out)
    lines = out.getvalue().splitlines()
    assert "invented" in lines[0]
    for who in scenario.read().people:
        row = next(line for line in lines if line.startswith(f"{who.username} "))
        assert scenario.read().password in row
        assert (who.pin or "none") in row


def test_a_mark_that_moves_belongs_to_both_machines_on_one_day():
    plan = scenario.read().only(["BM 22", "BM 24"])
    load.load(plan, at=NOW)
    moved = NOW.date() - dt.timedelta(days=plan.days - 447)
    old, new = MarkAssignment.objects.filter(mark="9").order_by("starts_on")
    assert (old.machine.name, old.ends_on) == ("BM 22", moved)
    assert (new.machine.name, new.starts_on, new.ends_on) == ("BM 24", moved, None)
    assert Machine.objects.get(name="BM 22").marks.get(ends_on=None).mark == "19"


def test_refused_by_the_service_too():
    load.load(SMALL, at=NOW)
    with pytest.raises(Refused):
        load.load(SMALL, at=NOW)
