"""A shared tablet from sign-in to hand-over: who acts when, and that nobody does without a PIN."""

import datetime as dt

import pytest
from django.conf import settings
from django.contrib.auth.hashers import make_password
from django.contrib.sessions.backends.base import UpdateError
from django.test import Client
from django.utils import timezone

from linelog.web import acting
from linelog.web.models import AuditEvent
from tests import factories

pytestmark = pytest.mark.django_db
PIN = "7294"


@pytest.fixture
def plant():
    return factories.plant(tablet_timeout_minutes=10)


@pytest.fixture
def account(plant):
    """The device's own account has every right of the plant, so that a leak would show."""
    return factories.person("manager", plant, username="tablet-hall-2")


@pytest.fixture
def mechanic(plant):
    return factories.person("mechanic", plant, first_name="Ana", pin_hash=make_password(PIN))


@pytest.fixture
def tablet(client, account):
    client.post("/sign-in/", {"username": account.username, "password": factories.PASSWORD, "shared": "on"})
    return client


def take_over(client, person, pin=PIN, **more):
    return client.post(f"/tablet/{person.pk}/", {"pin": pin, **more})


def wind_back(client, **by):
    """Make as if the acting person had last been heard of so long ago."""
    session = client.session
    kept = session[acting.ACTING]
    session[acting.ACTING] = {**kept, "seen": kept["seen"] - dt.timedelta(**by).total_seconds()}
    session.save()


def test_before_the_pin_nothing_of_the_accounts_rights_shows(tablet, mechanic):
    for url in ("/people/", "/history/", "/people/me/", "/admin/"):
        answer = tablet.get(url)
        assert answer.status_code == 302
        assert answer["Location"].startswith("/tablet/?next=")
    assert tablet.post("/people/add/", {"username": "x"})["Location"] == "/tablet/"
    page = tablet.get("/tablet/").content.decode()
    assert "Ana" in page
    assert 'href="/people/"' not in page


def test_an_htmx_request_before_the_pin_takes_the_whole_page_along(tablet):
    headers = {"HX-Request": "true", "HX-Current-URL": "http://testserver/visits/3/"}
    answer = tablet.post("/visits/3/sign/", headers=headers)
    assert answer["HX-Redirect"] == "/tablet/?next=%2Fvisits%2F3%2F"


@pytest.mark.parametrize("url", ["http://[", "%%%", "javascript:alert(1)", ""])
def test_an_odd_address_from_the_browser_is_left_out(tablet, url):
    answer = tablet.post("/visits/3/sign/", headers={"HX-Request": "true", "HX-Current-URL": url})
    assert answer["HX-Redirect"].startswith("/tablet/")
    assert answer.status_code == 200


def test_the_pin_page_lists_those_of_the_plant_who_have_a_pin(tablet, plant, mechanic):
    factories.person("mechanic", plant, first_name="Nopin")
    factories.person("mechanic", first_name="Elsewhere", pin_hash=make_password(PIN))
    page = tablet.get("/tablet/").content.decode()
    assert "Ana" in page
    assert "Nopin" not in page
    assert "Elsewhere" not in page


def test_with_the_pin_the_person_acts_with_their_own_rights_not_the_accounts(tablet, mechanic):
    assert take_over(tablet, mechanic)["Location"] == "/"
    answer = tablet.get("/people/me/")
    assert answer.context["user"] == mechanic
    assert answer.wsgi_request.device.username == "tablet-hall-2"
    assert "Hand over" in answer.content.decode()
    assert tablet.get("/people/").status_code == 403
    assert tablet.get("/history/").status_code == 403


def test_it_goes_back_to_the_page_the_tablet_showed_where_the_person_may_see_it(tablet, mechanic):
    assert take_over(tablet, mechanic, next="/people/me/")["Location"] == "/people/me/"
    tablet.post("/tablet/hand-over/")
    assert take_over(tablet, mechanic, next="/people/")["Location"] == "/"


def test_a_wrong_pin_is_said_beside_the_field_and_lets_nobody_in(tablet, mechanic):
    answer = take_over(tablet, mechanic, "9061")
    assert answer.status_code == 422
    assert "4 tries left" in answer.content.decode()
    assert tablet.get("/people/me/").status_code == 302


@pytest.mark.parametrize("pin", ["", "1", "1234567890", "abcd", "\x00", "١٢٣٤"])
def test_what_is_no_pin_is_told_and_no_error(tablet, mechanic, pin):
    assert take_over(tablet, mechanic, pin).status_code == 422


def test_the_lock_out_is_a_page_of_its_own_status(tablet, mechanic):
    for _ in range(5):
        take_over(tablet, mechanic, "9061")
    answer = take_over(tablet, mechanic)
    assert answer.status_code == 429
    assert "is locked" in answer.content.decode()


COOKIE = settings.SESSION_COOKIE_NAME


def test_what_was_on_its_way_while_the_tablet_changed_hands_signs_nobody_out(tablet, mechanic):
    """The page to be kept, answered late, under the key of before."""
    take_over(tablet, mechanic)
    late = Client()
    late.cookies[COOKIE] = tablet.cookies[COOKIE].value
    tablet.post("/tablet/hand-over/")
    assert tablet.cookies[COOKIE].value != late.cookies[COOKIE].value
    answer = late.get("/visits/", headers={"Sec-Fetch-Mode": "cors"})
    assert answer.status_code == 302, "that key opens nothing any more"
    assert COOKIE not in answer.cookies, "and takes no other away"
    assert "Who takes over this tablet?" in tablet.get("/tablet/").content.decode()


def test_only_a_page_that_is_opened_renews_the_cookie_and_signing_out_takes_it_away(tablet, mechanic):
    take_over(tablet, mechanic)
    for mode, renewed in (("cors", False), ("navigate", True)):
        wind_back(tablet, minutes=2)  # so that the time last heard of is written down
        assert (COOKIE in tablet.get("/", headers={"Sec-Fetch-Mode": mode}).cookies) == renewed
    ended = tablet.post("/sign-out/")
    assert ended.cookies[COOKIE].value == ""


def test_hand_over_gives_the_tablet_back(tablet, mechanic):
    take_over(tablet, mechanic)
    assert tablet.post("/tablet/hand-over/")["Location"] == "/tablet/"
    assert tablet.get("/people/me/").status_code == 302
    assert AuditEvent.objects.filter(action="handed a tablet over", actor_id=mechanic.pk).count() == 1


def test_every_change_of_hands_changes_the_key_of_the_session(tablet, mechanic):
    keys = [tablet.session.session_key]
    take_over(tablet, mechanic)
    keys.append(tablet.session.session_key)
    tablet.post("/tablet/hand-over/")
    keys.append(tablet.session.session_key)
    assert len(set(keys)) == 3


def test_a_request_still_under_way_cannot_bring_the_earlier_person_back(tablet, mechanic):
    """It loaded its session before the hand-over and would store it after."""
    take_over(tablet, mechanic)
    late = tablet.session
    assert acting.ACTING in late
    tablet.post("/tablet/hand-over/")
    late["anything"] = 1
    with pytest.raises(UpdateError):
        late.save()
    assert tablet.get("/people/me/").status_code == 302


def test_idle_for_the_plants_time_the_tablet_is_back_at_the_pin_page(tablet, mechanic):
    take_over(tablet, mechanic)
    wind_back(tablet, minutes=9, seconds=50)
    assert tablet.get("/people/me/").status_code == 200
    wind_back(tablet, minutes=10, seconds=31)
    assert tablet.get("/people/me/")["Location"] == "/tablet/?next=%2Fpeople%2Fme%2F"
    assert AuditEvent.objects.filter(action="tablet given back by time").count() == 1


def test_being_heard_of_starts_the_time_anew_but_a_page_asking_by_itself_does_not(tablet, mechanic):
    take_over(tablet, mechanic)
    wind_back(tablet, minutes=8)
    tablet.get("/people/me/", headers={"X-Passive": "1"})
    assert timezone.now().timestamp() - tablet.session[acting.ACTING]["seen"] > 470
    assert tablet.post("/tablet/still-here/", headers={"X-Person": str(mechanic.pk)}).status_code == 204
    assert timezone.now().timestamp() - tablet.session[acting.ACTING]["seen"] < 10


def test_given_back_by_time_the_next_pin_leads_back_to_the_same_page(tablet, mechanic):
    take_over(tablet, mechanic)
    answer = tablet.post("/tablet/hand-over/", {"why": "time", "next": "/people/me/"})
    assert answer["Location"] == "/tablet/?next=%2Fpeople%2Fme%2F"
    assert "?next=/people/me/" in tablet.get(answer["Location"]).content.decode()


@pytest.mark.parametrize(
    "change", [{"is_active": False}, {"pin_hash": ""}, {"pin_hash": "another"}, {"plant": "another"}]
)
def test_a_person_shut_out_moved_or_given_another_pin_stops_acting_at_once(tablet, mechanic, change):
    take_over(tablet, mechanic)
    for name, value in change.items():
        setattr(mechanic, name, factories.plant() if name == "plant" else value)
    mechanic.save()
    assert tablet.get("/people/me/").status_code == 302


def test_a_page_of_the_earlier_person_does_not_write_in_the_next_ones_name(tablet, plant, mechanic):
    other = factories.person("manager", plant, pin_hash=make_password(PIN))
    take_over(tablet, mechanic)
    tablet.post("/tablet/hand-over/")
    take_over(tablet, other)
    answer = tablet.post("/people/me/", {"unit": "inch"}, headers={"X-Person": str(mechanic.pk)})
    assert answer.status_code == 409
    assert f"made for {mechanic}, and {other} is signed in now" in answer.content.decode()
    assert tablet.post("/people/me/", {"unit": "inch"}, headers={"X-Person": str(other.pk)}).status_code == 302


def test_with_the_device_account_shut_out_the_tablet_is_signed_out(tablet, account, mechanic):
    take_over(tablet, mechanic)
    account.is_active = False
    account.save()
    assert tablet.get("/people/me/")["Location"].startswith("/sign-in/")


def test_a_device_that_is_not_shared_has_no_pin_page(signed_in, mechanic):
    client = signed_in(mechanic)
    for answer in (client.get("/tablet/"), client.get(f"/tablet/{mechanic.pk}/"), client.post("/tablet/hand-over/")):
        assert answer["Location"] == "/"


def test_the_pin_page_works_without_script_and_keeps_big_keys_hidden_until_there_is_one(tablet, mechanic):
    page = tablet.get(f"/tablet/{mechanic.pk}/").content.decode()
    assert '<div class="pin-keys" id="pin-keys" hidden>' in page
    assert 'inputmode="numeric"' in page
    assert "Take over" in page


def test_signing_the_tablet_out_ends_it_for_everybody(tablet, mechanic):
    take_over(tablet, mechanic)
    assert tablet.post("/sign-out/")["Location"] == "/sign-in/"
    assert tablet.get("/tablet/")["Location"].startswith("/sign-in/")


def test_signing_the_same_account_in_again_for_oneself_ends_the_sharing_and_whoever_acted(tablet, account, mechanic):
    take_over(tablet, mechanic)
    tablet.post("/sign-in/", {"username": account.username, "password": factories.PASSWORD})
    assert acting.TABLET not in tablet.session
    assert acting.ACTING not in tablet.session
    assert tablet.get("/people/me/").context["user"] == account
