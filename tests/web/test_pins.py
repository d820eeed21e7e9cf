"""The PIN on a shared tablet: what may be one, who may use it, and how few guesses anybody gets."""

import datetime as dt
import threading

import pytest
from django.contrib.auth.hashers import make_password
from django.db import connection

from linelog.web import pins
from linelog.web.errors import Refused
from linelog.web.models import AuditEvent, Tablet
from tests import factories

NOW = factories.NOW
PIN = "7294"


RUNS = ["1234", "0123", "7890", "4321", "0987", "123456"]
REPEATED = ["0000", "999999", "1212", "121212", "123123"]
GUESSED = ["2580", "1987", "2026"]
NO_PIN = ["123", "1234567", "12a4", "", "١٢٣٤", "12 4", "-123", "7294\n"]


@pytest.mark.parametrize("pin", [*RUNS, *REPEATED, *GUESSED, *NO_PIN])
def test_weak_or_malformed_pins_are_refused_with_a_sentence(pin):
    assert pins.weakness(pin).endswith(".")


@pytest.mark.parametrize("pin", ["7294", "40718", "902746", "1357", "2024680"[:6]])
def test_other_pins_may_be_used(pin):
    assert pins.weakness(pin) == ""


@pytest.fixture
def plant(db):
    return factories.plant()


@pytest.fixture
def device(plant):
    return factories.person("viewer", plant, username="tablet-hall-2")


@pytest.fixture
def tablet(device):
    return Tablet.objects.create(account_id=device.pk, plant_id=device.plant_id, signed_in_at=NOW)


@pytest.fixture
def person(plant):
    return factories.person("mechanic", plant, pin_hash=make_password(PIN))


def attempt(device, tablet, person, pin, at=NOW):
    return pins.take_over(device=device, tablet_id=tablet.pk, person_id=person.pk, pin=pin, at=at)


def test_the_right_pin_brings_the_person_and_a_line_of_history(device, tablet, person):
    assert attempt(device, tablet, person, PIN) == person
    event = AuditEvent.objects.get()
    assert (event.action, event.actor_id) == ("took over a tablet", person.pk)
    assert event.after == {"device": str(device), "tablet": tablet.pk}


def test_neither_pin_nor_hash_is_ever_in_the_history_or_the_log(device, tablet, person, caplog):
    with pytest.raises(Refused):
        attempt(device, tablet, person, "9061")
    attempt(device, tablet, person, PIN)
    text = caplog.text + "".join(str(event.__dict__) for event in AuditEvent.objects.all())
    assert "9061" not in text
    assert PIN not in text
    assert person.pin_hash not in text


@pytest.mark.parametrize(
    "more",
    [{"is_active": False}, {"pin_hash": ""}, {"role": "administrator"}, {"plant": None, "role": "administrator"}],
)
def test_who_left_has_no_pin_or_is_an_administrator_cannot_take_over(device, tablet, person, more):
    for name, value in more.items():
        setattr(person, name, value)
    person.save()
    with pytest.raises(Refused, match="Choose your name"):
        attempt(device, tablet, person, PIN)


def test_a_person_of_another_plant_cannot_take_over(device, tablet):
    stranger = factories.person("mechanic", pin_hash=make_password(PIN))
    with pytest.raises(Refused, match="Choose your name"):
        attempt(device, tablet, stranger, PIN)


def test_the_fifth_wrong_try_locks_the_person_for_a_quarter_of_an_hour(device, tablet, person):
    for left in (4, 3, 2):
        with pytest.raises(Refused, match=f"{left} tries left"):
            attempt(device, tablet, person, "9061")
    with pytest.raises(Refused, match="1 try left"):
        attempt(device, tablet, person, "9061")
    with pytest.raises(Refused, match="try again here in 15 minutes"):
        attempt(device, tablet, person, "9061")
    with pytest.raises(pins.Locked, match="is locked"):
        attempt(device, tablet, person, PIN, NOW + dt.timedelta(minutes=14, seconds=59))
    assert attempt(device, tablet, person, PIN, NOW + dt.timedelta(minutes=15)) == person
    actions = list(AuditEvent.objects.order_by("id").values_list("action", flat=True))
    assert actions == ["typed a wrong PIN"] * 5 + ["locked out after wrong PINs", "took over a tablet"]


def test_after_the_lock_there_are_five_tries_again_not_one(device, tablet, person):
    for _ in range(5):
        with pytest.raises(Refused):
            attempt(device, tablet, person, "9061")
    with pytest.raises(Refused, match="4 tries left"):
        attempt(device, tablet, person, "9061", NOW + dt.timedelta(minutes=15))


def test_a_right_pin_forgives_the_wrong_ones_before_it(device, tablet, person):
    for _ in range(3):
        for _ in range(4):
            with pytest.raises(Refused):
                attempt(device, tablet, person, "9061")
        attempt(device, tablet, person, PIN)
        Tablet.objects.update(failures=0)


def test_ten_wrong_tries_at_different_names_lock_the_tablet(device, tablet, plant):
    people = [factories.person("mechanic", plant, pin_hash=make_password(PIN)) for _ in range(4)]
    for number in range(10):
        with pytest.raises(Refused, match="not the PIN"):
            attempt(device, tablet, people[number // 3], "9061")
    with pytest.raises(pins.Locked, match="This tablet"):
        attempt(device, tablet, people[3], PIN)
    assert AuditEvent.objects.filter(action="tablet locked after wrong PINs").count() == 1
    attempt(device, tablet, people[3], PIN, NOW + dt.timedelta(minutes=15))


def test_wrong_tries_of_a_whole_day_do_not_add_up_on_the_tablet(device, tablet, person):
    for hour in range(24):
        with pytest.raises(Refused):
            attempt(device, tablet, person, "9061", NOW + dt.timedelta(hours=hour))
        attempt(device, tablet, person, PIN, NOW + dt.timedelta(hours=hour, minutes=1))


@pytest.mark.django_db(transaction=True)
def test_tries_at_the_same_moment_do_not_get_past_the_limit(monkeypatch):
    """Twelve threads guess at once, from three tablets, while the comparison is slow: ten are compared, no more."""
    plant = factories.plant()
    person = factories.person("mechanic", plant, pin_hash=make_password(PIN))
    device = factories.person("viewer", plant)
    tablets = [Tablet.objects.create(account_id=device.pk, plant_id=plant.pk, signed_in_at=NOW) for _ in range(3)]
    compared, said, start = [], [], threading.Barrier(12)

    def slow_compare(pin, stored):
        compared.append(pin)
        threading.Event().wait(0.05)
        return False

    monkeypatch.setattr(pins, "check_password", slow_compare)

    def guess(number):
        start.wait()
        try:
            attempt(device, tablets[number % 3], person, f"90{number:02}")
        except Refused as refusal:
            said.append(type(refusal))
        finally:
            connection.close()

    threads = [threading.Thread(target=guess, args=(number,)) for number in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(compared) == pins.ANYWHERE_TRIES
    assert sorted(kind.__name__ for kind in said) == ["Locked"] * 2 + ["Refused"] * 10
    assert AuditEvent.objects.filter(action="locked out everywhere after wrong PINs").count() == 1


def test_wrong_pins_on_one_tablet_do_not_lock_a_person_on_another(device, tablet, person):
    for _ in range(5):
        with pytest.raises(Refused):
            attempt(device, tablet, person, "9061")
    with pytest.raises(pins.Locked):
        attempt(device, tablet, person, PIN)
    other = Tablet.objects.create(account_id=device.pk, plant_id=device.plant_id, signed_in_at=NOW)
    assert attempt(device, other, person, PIN) == person
    with pytest.raises(pins.Locked):
        attempt(device, tablet, person, PIN)


def test_wrong_pins_on_many_tablets_lock_a_person_everywhere_but_for_minutes(device, person):
    tablets = [
        Tablet.objects.create(account_id=device.pk, plant_id=device.plant_id, signed_in_at=NOW) for _ in range(4)
    ]
    for tablet in tablets[:2]:
        for _ in range(5):
            with pytest.raises(Refused):
                attempt(device, tablet, person, "9061")
    with pytest.raises(pins.Locked):
        attempt(device, tablets[2], person, PIN)
    assert attempt(device, tablets[2], person, PIN, NOW + dt.timedelta(minutes=2)) == person


def test_a_confirmation_counts_like_a_take_over_and_writes_no_second_one(device, tablet, person):
    pins.confirm(person=person, device=device, tablet_id=tablet.pk, pin=PIN, at=NOW)
    assert not AuditEvent.objects.filter(action="took over a tablet").exists()
    for _ in range(5):
        with pytest.raises(Refused):
            pins.confirm(person=person, device=device, tablet_id=tablet.pk, pin="9061", at=NOW)
    with pytest.raises(pins.Locked):
        pins.confirm(person=person, device=device, tablet_id=tablet.pk, pin=PIN, at=NOW)
