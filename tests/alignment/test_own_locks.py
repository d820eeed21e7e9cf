"""Each person's own lock on a lockout: hung, taken off, never shared, and none left hanging unsaid."""

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.lockout import status_of
from linelog.alignment.models import PersonalLock
from linelog.web.models import AuditEvent
from tests.alignment.helpers import CENTRED, HTMX, address, type_one, type_round
from tests.alignment.locked import RETURNED, not_locked_out, verify
from tests.alignment.signing import sign

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(signed_in):
    return not_locked_out(signed_in)


def test_each_person_hangs_and_takes_off_their_own_lock(job):
    client, visit, _, _ = job
    verify(client, visit)
    assert client.post(address("lock", visit), {"name": "B. Helper", "number": "22"}).status_code == 302
    again = client.post(address("lock", visit), {"name": "b. helper"})
    assert again.status_code == 422
    assert "written down already" in again.content.decode()
    lock = PersonalLock.objects.get(name="B. Helper")
    refused = client.post(address("lockout_return", visit), RETURNED)
    assert refused.status_code == 422
    assert "Still on: A. Mechanic, lock 14, B. Helper, lock 22" in refused.content.decode()
    off = reverse("alignment:lock_off", args=[visit.pk, lock.pk])
    refused = client.post(off)
    assert refused.status_code == 422
    assert "the lock of B. Helper, who alone takes it off" in refused.content.decode()
    assert client.post(off, {"spoken_to": "on"}).status_code == 302
    assert AuditEvent.objects.filter(action="wrote down another's lock as off").count() == 1
    assert client.post(off, {"spoken_to": "on"}).status_code == 422
    mine = PersonalLock.objects.get(name="A. Mechanic")
    assert client.post(address("lockout_return", visit), {**RETURNED, "locks_off": mine.pk}).status_code == 302
    assert not PersonalLock.objects.filter(off_at__isnull=True).exists()


def test_the_last_lock_that_comes_off_ends_it_and_hung_again_it_is_verified_again(job):
    """A verification holds while a lock hangs: 29 CFR 1910.147(d)(4) to (6), verified with the locks on."""
    client, visit, domer, _ = job
    verify(client, visit)
    client.post(address("lock", visit), {"name": "B. Helper", "number": "22"})
    first, second = PersonalLock.objects.order_by("pk")
    spoken = {"spoken_to": "on"}
    assert client.post(reverse("alignment:lock_off", args=[visit.pk, first.pk]), spoken).status_code == 302
    assert status_of(visit, timezone.now()).stands, "another's lock still hangs"
    assert type_one(client, visit, domer, 0, "0.01").status_code == 200
    assert client.post(reverse("alignment:lock_off", args=[visit.pk, second.pk]), spoken).status_code == 302
    assert visit.lockouts.get().ended_how == "bare"
    for page in (address("lockout_page", visit), address("visit", visit)):
        said = client.get(page).content.decode()
        assert "no lockout stands</span> Every lock was taken off" in said
        assert 'class="state in">locked out' not in said
    refused = type_one(client, visit, domer, 90, "0.05")
    assert refused.status_code == 422
    assert "verify it again. What you typed waits." in refused.content.decode()
    hung = client.post(address("lock", visit), {"name": "A. Mechanic", "number": "14"})
    assert hung.status_code == 422, "a lock hung again does not bring the old verification back"
    verify(client, visit)
    assert type_one(client, visit, domer, 90, "0.05").status_code == 200


def test_the_last_lock_may_come_off_after_the_signature(job):
    client, visit, domer, mechanic = job
    verify(client, visit, lockout_verified_by=str(mechanic))
    type_round(client, visit, domer, CENTRED)
    client.post(address("untouched", visit, domer), {"not_touched": "1"}, headers=HTMX)
    assert sign(client, visit).status_code == 302
    lock = PersonalLock.objects.get()
    assert client.post(reverse("alignment:lock_off", args=[visit.pk, lock.pk])).status_code == 302
    assert visit.lockouts.get().ended_how == "bare"
    assert client.post(address("lockout_return", visit), RETURNED).status_code == 302


def test_two_people_never_hang_on_one_lock(job):
    client, visit, _, _ = job
    verify(client, visit)
    shared = client.post(address("lock", visit), {"name": "B. Helper", "number": "14"})
    assert shared.status_code == 422
    assert "Lock 14 hangs as the lock of A. Mechanic: each hangs their own." in shared.content.decode()
    shared = verify(client, visit, lockout_verified_by="C. Next")
    assert shared.status_code == 422
    assert "each hangs their own" in shared.content.decode()
    assert PersonalLock.objects.get().name == "A. Mechanic"
    assert verify(client, visit).status_code == 302, "the same person's, written down anew"


def test_before_powered_inching_everybody_is_out_and_each_lock_off(job):
    client, visit, _, _ = job
    verify(client, visit)
    refused = client.post(address("lockout_end", visit), {"how": "test"})
    assert refused.status_code == 422
    said = refused.content.decode()
    assert "everybody is out and clear and each took off their own lock: say so first" in said
    assert "each took off their own lock: A. Mechanic, lock 14" in said
    assert status_of(visit, timezone.now()).stands
    assert client.post(address("lockout_end", visit), {"how": "test", "clear": "on"}).status_code == 302
    assert not PersonalLock.objects.filter(off_at__isnull=True).exists()


def test_a_lock_that_hangs_from_before_a_hand_over_is_seen_and_asked_for(job):
    client, visit, _, _ = job
    verify(client, visit)
    client.post(address("lock", visit), {"name": "B. Helper", "number": "B8"})
    assert verify(client, visit, lockout_verified_by="C. Next", lockout_lock="31").status_code == 302
    assert "B. Helper, lock B8" in client.get(address("lockout_page", visit)).content.decode()
    left = PersonalLock.objects.get(name="C. Next")
    refused = client.post(address("lockout_return", visit), {**RETURNED, "locks_off": left.pk})
    assert refused.status_code == 422
    assert "Still on: A. Mechanic, lock 14, B. Helper, lock B8" in refused.content.decode()
    verify(client, visit, lockout_verified_by="B. Helper", lockout_lock="B9")
    assert PersonalLock.objects.get(number="B8").off_at is not None, "the same person's lock, written down anew"


def test_who_has_no_lock_of_their_own_is_told_at_the_station(job):
    client, visit, domer, mechanic = job
    verify(client, visit)
    missing = "Your own lock is not written down."
    assert missing in client.get(address("station", visit, domer)).content.decode()
    client.post(address("lock", visit), {"name": str(mechanic), "number": "7"})
    assert missing not in client.get(address("station", visit, domer)).content.decode()
