"""A page left open by one person does nothing in the name of the next, whatever it sends; nothing typed is lost.

Common practice, no source: what is written stands under the name of who saw the page.
"""

import re

import pytest
from django.conf import settings
from django.contrib.auth.hashers import make_password
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.models import Visit
from linelog.web import acting
from linelog.web.models import AuditEvent
from tests import factories
from tests.test_access import EXPECTED
from tests.world import World

pytestmark = pytest.mark.django_db
PIN = "7294"
FORM = re.compile(r"<form\b(?=[^>]*\bmethod=\"post\")[^>]*>(.*?)</form>", re.DOTALL)


@pytest.fixture
def world():
    return World(plant=factories.plant())


@pytest.fixture
def first(world):
    return factories.person("mechanic", world.plant, first_name="Ana", pin_hash=make_password(PIN))


@pytest.fixture
def second(world):
    return factories.person("manager", world.plant, first_name="Bert", pin_hash=make_password(PIN))


def tablet_of(world, person, **more):
    """A shared tablet on which this person acts, or nobody."""
    client = Client(**more)
    client.force_login(world.person("manager"))
    session = client.session
    acting.make_shared(session, world.tablet)
    if person is not None:
        acting.take_over(session, person, timezone.now())
    session.save()
    client.cookies[settings.SESSION_COOKIE_NAME] = session.session_key  # a new one with each change of hands
    return client


def test_every_form_of_every_page_says_for_whom_it_was_made_and_every_address_refuses_another(world, first, second):
    client = tablet_of(world, second)
    client.raise_request_exception = False
    bare, taken, forms, refused = [], [], 0, 0
    before = AuditEvent.objects.count()
    for name, row in EXPECTED.items():
        if "manager" not in row.who or name in {"web:sign_in", "web:sign_out", "web:take_over", "web:hand_over"}:
            continue
        url = reverse(name, kwargs=row.parts(world) if row.parts else None)
        page = client.get(url)
        if page.streaming:
            b"".join(page.streaming_content)  # to its end, which closes the file
        elif page["Content-Type"].startswith("text/html"):
            inside = FORM.findall(page.content.decode())
            forms += len(inside)
            bare += [name for form in inside if f'name="made_for" value="{second.pk}"' not in form]
        made, status = AuditEvent.objects.count(), client.post(url, {"made_for": first.pk, "why": "x"}).status_code
        refused += status == 409
        if status not in {405, 409} or AuditEvent.objects.count() != made:
            taken.append((name, status))
    assert (bare, taken) == ([], [])
    assert forms > 150
    assert refused > 100
    assert before <= AuditEvent.objects.count()


def test_sign_and_close_in_a_page_of_the_one_before_signs_nothing(world, first, second):
    visit = world.visit
    client = tablet_of(world, second)
    answer = client.post(f"/visits/{visit.pk}/sign/", {"made_for": first.pk})
    assert answer.status_code == 409
    assert "made for Ana" in answer.content.decode()
    assert Visit.objects.get(pk=visit.pk).state == "open"


def test_what_was_typed_is_shown_with_the_refusal_but_no_secret(world, first, second):
    client = tablet_of(world, second)
    note = {"reason_note": "tear-offs since <Monday>", "note": "first line\nsecond line", "own_password": "geheim"}
    answer = client.post(f"/visits/{world.visit.pk}/edit/", {"made_for": first.pk, "pin": "8461", **note})
    page = answer.content.decode()
    assert answer.status_code == 409
    assert "tear-offs since &lt;Monday&gt;" in page
    assert "first line<br>second line" in page
    assert "Nothing of it was stored" in page
    assert "geheim" not in page
    assert "8461" not in page


def test_a_page_of_htmx_stays_as_it_is_and_the_sentence_comes_beside_it(world, first, second):
    client = tablet_of(world, second)
    url = f"/visits/{world.visit.pk}/stations/{world.station.pk}/note/"
    answer = client.post(url, {"note": "x"}, headers={"HX-Request": "true", "X-Person": str(first.pk)})
    assert (answer.status_code, answer["HX-Retarget"], answer["HX-Reswap"]) == (409, "#trouble", "innerHTML")
    assert "<html" not in answer.content.decode()


def test_a_tablet_that_says_nothing_is_refused_a_device_of_ones_own_is_not(world, second):
    assert tablet_of(world, second).post("/people/me/", {"unit": "inch"}).status_code == 409
    client = Client()
    client.force_login(second)
    assert client.post("/people/me/", {"unit": "inch"}).status_code == 302
    assert client.post("/people/me/", {"unit": "mm", "made_for": "nobody"}).status_code == 409


def test_with_nobody_at_the_tablet_the_typed_text_is_kept_and_the_pin_leads_on(world, first):
    client = tablet_of(world, None)
    back = {"Referer": f"http://testserver/visits/{world.visit.pk}/edit/"}
    answer = client.post(f"/visits/{world.visit.pk}/edit/", {"made_for": first.pk, "note": "loose"}, headers=back)
    page = answer.content.decode()
    assert answer.status_code == 409
    assert "nobody is signed in now" in page
    assert "loose" in page
    assert f"/tablet/?next=%2Fvisits%2F{world.visit.pk}%2Fedit%2F" in page


@pytest.mark.parametrize("mark", ["0", "-1", "9" * 30, "²", "x' OR 1=1", "<b>"])
def test_a_mark_that_is_nobodys_is_refused_and_names_nobody(world, second, mark):
    answer = tablet_of(world, second).post("/people/me/", {"unit": "mm", "made_for": mark})
    assert answer.status_code == 409
    assert "made for somebody else" in answer.content.decode()


def test_nobody_of_another_plant_is_named(world, second):
    stranger = factories.person("mechanic", first_name="Zoe")
    answer = tablet_of(world, second).post("/people/me/", {"unit": "mm", "made_for": stranger.pk})
    assert "Zoe" not in answer.content.decode()


def test_an_old_page_does_not_hand_over_what_is_somebody_elses_by_now(world, first, second):
    client = tablet_of(world, second)
    answer = client.post("/tablet/hand-over/", {"made_for": first.pk, "why": "time"})
    assert answer["Location"] == "/"
    assert client.get("/people/me/").context["user"] == second
    assert client.post("/tablet/hand-over/", {"made_for": second.pk})["Location"] == "/tablet/"


def test_a_form_whose_token_went_stale_shows_what_was_typed(world, second):
    client = Client(enforce_csrf_checks=True)
    client.force_login(second)
    answer = client.post(f"/visits/{world.visit.pk}/edit/", {"note": "seen a loose foot", "password": "geheim"})
    assert answer.status_code == 403
    assert "seen a loose foot" in answer.content.decode()
    assert "geheim" not in answer.content.decode()
