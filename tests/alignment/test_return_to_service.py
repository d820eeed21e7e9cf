"""A machine's return to service: tools out and counted, guards closed, everybody clear, own locks off."""

import datetime as dt

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from linelog.alignment.models import Lockout, PersonalLock, Reading, Visit
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, address, type_round
from tests.alignment.locked import RETURNED, not_locked_out, verify

pytestmark = pytest.mark.django_db
NOW = factories.NOW


@pytest.fixture
def job(signed_in):
    return not_locked_out(signed_in)


@pytest.mark.parametrize("left", ["tools_counted", "guards_closed", "people_clear", "returned_by"])
def test_nothing_returns_to_service_with_a_check_left_out(job, left):
    client, visit, _, _ = job
    verify(client, visit, lockout_lock="")
    form = {name: value for name, value in RETURNED.items() if name != left}
    assert client.post(address("lockout_return", visit), form).status_code == 422
    assert visit.lockouts.get().returned_at is None
    assert client.post(address("lockout_return", visit), RETURNED).status_code == 302
    assert (visit.lockouts.get().returned_by, visit.lockouts.get().ended_how) == ("A. Mechanic", "returned")
    assert client.post(address("lockout_return", visit), RETURNED).status_code == 422, "once"


def test_nobody_returns_a_machine_at_which_another_typed_a_moment_ago_without_speaking_to_them(job, signed_in):
    client, visit, domer, _ = job
    verify(client, visit, lockout_lock="")
    type_round(client, visit, domer, CENTRED)
    plant = visit.machine.line.plant
    other = signed_in(factories.person("mechanic", plant, username="second", first_name="Second", last_name="Hand"))
    refused = other.post(address("lockout_return", visit), RETURNED)
    assert refused.status_code == 422
    said = refused.content.decode()
    assert f"{visit.opened_by} typed a reading here 0 minutes ago: speak to them first" in said
    assert f"I have spoken to {visit.opened_by}, who is clear of the machine" in said
    assert visit.lockouts.get().ended_at is None
    Reading.objects.update(at=timezone.now() - dt.timedelta(minutes=11))
    assert "I have spoken to" not in other.get(address("lockout_page", visit)).content.decode()
    Reading.objects.update(at=timezone.now() - dt.timedelta(minutes=9))
    assert other.post(address("lockout_return", visit), {**RETURNED, "spoken_to": "on"}).status_code == 302


def test_it_may_return_after_the_signature_and_nothing_else_of_it_changes_then(job):
    client, visit, domer, _ = job
    verify(client, visit)
    type_round(client, visit, domer, CENTRED)
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    lock = PersonalLock.objects.get()
    Visit.objects.filter(pk=visit.pk).update(
        state="signed", signed_by=visit.opened_by, signed_at=timezone.now()
    )  # by hand: signing itself is another page's
    for change in ({"verified_by": "X"}, {"runs_out_at": NOW}, {"procedure": "other"}):
        with pytest.raises(IntegrityError, match="signed visit"), transaction.atomic():
            Lockout.objects.update(**change)
    with pytest.raises(IntegrityError, match="signed visit"), transaction.atomic():
        PersonalLock.objects.update(number="other")
    assert client.post(address("lockout_return", visit), {**RETURNED, "locks_off": lock.pk}).status_code == 302
    for rows, change in (
        (Lockout.objects, {"returned_by": "X"}),
        (Lockout.objects, {"returned_at": None, "returned_by": ""}),
        (PersonalLock.objects, {"off_at": None}),
    ):
        with pytest.raises(IntegrityError, match="signed visit"), transaction.atomic():
            rows.update(**change)
    with pytest.raises(IntegrityError, match="signed visit"), transaction.atomic():
        factories.lockout(visit, visit.opened_by)
