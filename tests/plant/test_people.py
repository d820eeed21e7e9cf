"""Who may keep the list of people, whom they may touch, and what every change leaves behind."""

import pytest
from django.contrib.auth.hashers import check_password

from linelog.plant import people
from linelog.plant.models import Person
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.models import AuditEvent
from tests import factories

pytestmark = pytest.mark.django_db
NOW = factories.NOW
GOOD = "rusty-kettle-77"


@pytest.fixture
def plant():
    return factories.plant()


@pytest.fixture
def manager(plant):
    return factories.person("manager", plant)


@pytest.fixture
def administrator():
    return factories.person("administrator")


@pytest.fixture
def mechanic(plant):
    return factories.person("mechanic", plant)


def facts(plant, **more):
    return {"first_name": "Ana", "last_name": "", "role": "mechanic", "unit": "mm", "plant": plant, **more}


def add(by, plant, **more):
    return people.add(by=by, at=NOW, password=GOOD, facts=facts(plant, username="ana", **more))


def test_a_manager_adds_a_mechanic(manager, plant):
    made = add(manager, plant)
    assert check_password(GOOD, made.password)
    assert (made.is_staff, made.is_superuser, made.plant) == (False, False, plant)
    event = AuditEvent.objects.get()
    assert (event.action, event.object_id, event.plant_id) == ("added", str(made.pk), plant.pk)
    assert "password" not in event.after
    assert "pin_hash" not in event.after


@pytest.mark.parametrize("role", ["mechanic", "quality", "viewer"])
def test_other_roles_keep_no_list(role, plant):
    by = factories.person(role, plant)
    with pytest.raises(NotAllowed):
        add(by, plant)
    with pytest.raises(NotAllowed):
        people.set_password(by=by, at=NOW, person=factories.person("mechanic", plant), password=GOOD)
    assert not people.keepable(by).exists()


def test_a_manager_never_gives_the_administrators_role(manager, plant, mechanic):
    with pytest.raises(NotAllowed):
        add(manager, plant, role="administrator")
    with pytest.raises(NotAllowed):
        people.change(
            by=manager,
            at=NOW,
            person_id=mechanic.pk,
            version=1,
            facts=facts(plant, role="administrator", is_active=True),
        )
    mechanic.refresh_from_db()
    assert mechanic.role == "mechanic"


def test_a_manager_does_not_touch_an_administrator_of_the_same_plant(manager, plant):
    boss = factories.person("administrator", plant)
    assert boss not in people.keepable(manager)
    with pytest.raises(NotAllowed):
        people.set_password(by=manager, at=NOW, person=boss, password=GOOD)
    with pytest.raises(NotAllowed):
        people.change(by=manager, at=NOW, person_id=boss.pk, version=1, facts=facts(plant, is_active=False))


def test_a_manager_does_not_touch_another_plant(manager, plant):
    stranger = factories.person("mechanic")
    with pytest.raises(NotAllowed):
        people.set_pin(by=manager, at=NOW, person=stranger, pin="7294")
    with pytest.raises(NotAllowed):
        people.clear_pin(by=manager, at=NOW, person=stranger)
    with pytest.raises(NotAllowed):
        add(manager, stranger.plant)


def test_an_administrator_keeps_everybody_and_their_rights_follow_the_role(administrator, plant, mechanic):
    made = add(administrator, None, role="administrator")
    assert (made.is_staff, made.is_superuser) == (True, True)
    given = facts(plant, role="viewer", is_active=True)
    changed = people.change(by=administrator, at=NOW, person_id=made.pk, version=1, facts=given)
    assert (changed.is_staff, changed.is_superuser, changed.role, changed.version) == (False, False, "viewer", 2)
    assert set(people.keepable(administrator)) >= {mechanic, made}


def test_whoever_becomes_administrator_loses_the_pin(administrator, plant, mechanic):
    people.set_pin(by=administrator, at=NOW, person=mechanic, pin="7294")
    given = facts(plant, role="administrator", is_active=True)
    assert people.change(by=administrator, at=NOW, person_id=mechanic.pk, version=1, facts=given).pin_hash == ""
    with pytest.raises(Refused, match="too few"):
        people.set_pin(by=administrator, at=NOW, person=Person.objects.get(pk=mechanic.pk), pin="7294")


def test_only_an_administrator_belongs_to_no_plant(administrator):
    with pytest.raises(Refused, match="Choose the plant") as refusal:
        add(administrator, None)
    assert refusal.value.field == "plant"


def test_nobody_shuts_themselves_out(manager, plant):
    for change in ({"role": "viewer", "is_active": True}, {"role": "manager", "is_active": False}):
        with pytest.raises(Refused, match="your own"):
            people.change(by=manager, at=NOW, person_id=manager.pk, version=1, facts=facts(plant, **change))


def test_the_history_holds_what_changed_and_nothing_else(manager, plant, mechanic):
    given = facts(plant, first_name=mechanic.first_name, role="quality", is_active=True)
    people.change(by=manager, at=NOW, person_id=mechanic.pk, version=1, facts=given)
    event = AuditEvent.objects.get()
    assert event.before == {"role": "mechanic", "version": 1}
    assert event.after == {"role": "quality", "version": 2}


def test_the_second_of_two_who_change_the_same_person_is_told_and_stores_nothing(manager, plant, mechanic):
    first = facts(plant, first_name="First", is_active=True)
    people.change(by=manager, at=NOW, person_id=mechanic.pk, version=1, facts=first)
    with pytest.raises(Conflict) as conflict:
        people.change(by=manager, at=NOW, person_id=mechanic.pk, version=1, facts={**first, "first_name": "Second"})
    assert conflict.value.theirs.first_name == "First"
    assert conflict.value.yours["first_name"] == "Second"
    assert Person.objects.get(pk=mechanic.pk).first_name == "First"
    assert AuditEvent.objects.count() == 1


def test_a_name_can_sign_in_for_one_person_only(manager, plant):
    add(manager, plant)
    with pytest.raises(Refused, match="already") as refusal:
        add(manager, plant)
    assert refusal.value.field == "username"
    assert Person.objects.filter(username="ana").count() == 1


@pytest.mark.parametrize("password", ["short", "password123", "12345678901234", "mechanic-ana"])
def test_weak_passwords_are_refused_beside_the_field(manager, mechanic, password):
    mechanic.username = "mechanic-ana"
    with pytest.raises(Refused) as refusal:
        people.set_password(by=manager, at=NOW, person=mechanic, password=password)
    assert refusal.value.field == "password"


def test_a_new_pin_is_hashed_and_ends_a_lock_out(manager, mechanic):
    Person.objects.filter(pk=mechanic.pk).update(pin_failures=5, pin_locked_until=NOW)
    people.set_pin(by=manager, at=NOW, person=mechanic, pin="7294")
    mechanic.refresh_from_db()
    assert (mechanic.pin_failures, mechanic.pin_locked_until) == (0, None)
    assert "7294" not in mechanic.pin_hash
    assert check_password("7294", mechanic.pin_hash)
    assert "7294" not in str([event.__dict__ for event in AuditEvent.objects.all()])


def test_one_sets_ones_own_pin_password_and_unit(mechanic):
    people.set_pin(by=mechanic, at=NOW, person=mechanic, pin="7294")
    people.set_password(by=mechanic, at=NOW, person=mechanic, password=GOOD)
    people.set_unit(by=mechanic, at=NOW, unit="inch")
    mechanic.refresh_from_db()
    assert check_password(GOOD, mechanic.password)
    assert (mechanic.unit, bool(mechanic.pin_hash)) == ("inch", True)
    actions = AuditEvent.objects.order_by("id").values_list("action", flat=True)
    assert list(actions) == ["set the PIN", "set the password", "changed"]
