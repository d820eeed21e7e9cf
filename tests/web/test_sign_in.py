"""Sign-in by name and password: where it leads, what the history keeps, what too many wrong tries do."""

import pytest
from django.urls import reverse

from linelog.web.models import AuditEvent, Tablet
from tests import factories

pytestmark = pytest.mark.django_db
URL = "/sign-in/"


def send(client, person, password=factories.PASSWORD, **more):
    return client.post(URL, {"username": person.username, "password": password, **more})


@pytest.mark.parametrize("role", ["mechanic", "manager", "quality", "viewer", "administrator"])
def test_every_role_lands_on_the_machines(client, role):
    answer = send(client, factories.person(role))
    assert (answer.status_code, answer["Location"]) == (302, "/")


def test_it_goes_on_to_the_page_that_was_asked_for(client):
    assert send(client, factories.person("manager"), next="/people/")["Location"] == "/people/"


@pytest.mark.parametrize(
    "wanted",
    ["https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example", "http:///x", "/nowhere/", "x"],
)
def test_it_never_leads_off_the_site_or_to_nothing(client, wanted):
    assert send(client, factories.person("manager"), next=wanted)["Location"] == "/"


def test_a_page_the_role_does_not_open_is_not_gone_back_to(client):
    assert send(client, factories.person("viewer"), next="/people/")["Location"] == "/"


def test_a_wrong_password_is_told_beside_the_form_and_written_down(client):
    person = factories.person()
    answer = send(client, person, "wrong")
    assert answer.status_code == 422
    assert "do not belong together" in answer.content.decode()
    event = AuditEvent.objects.get()
    assert (event.action, event.object_id, event.actor_id) == ("typed a wrong password", str(person.pk), None)
    assert event.plant_id == person.plant_id


def test_an_unknown_name_reads_the_same_as_a_wrong_password(client):
    person = factories.person()
    wrong = send(client, person, "wrong")
    unknown = client.post(URL, {"username": "nobody-here", "password": "wrong"})
    assert unknown.status_code == wrong.status_code

    def sentence(answer):
        return answer.context["form"].non_field_errors()

    assert sentence(unknown) == sentence(wrong)


def test_an_inactive_person_cannot_sign_in(client):
    assert send(client, factories.person(is_active=False)).status_code == 422


def test_after_five_wrong_tries_even_the_right_password_waits(client):
    person = factories.person()
    for _ in range(4):
        assert send(client, person, "wrong").status_code == 422
    assert send(client, person, "wrong").status_code == 429
    answer = send(client, person)
    assert answer.status_code == 429
    assert "Wait 15 minutes" in answer.content.decode()
    assert AuditEvent.objects.filter(action="locked out after wrong passwords").exists()


def test_a_right_password_forgives_earlier_wrong_tries(client):
    person = factories.person()
    for _ in range(3):
        for _ in range(4):
            send(client, person, "wrong")
        assert send(client, person).status_code == 302


def test_the_session_gets_a_new_key_at_sign_in(client):
    client.get(URL)
    client.session["x"] = 1
    client.session.save()
    before = client.session.session_key
    send(client, factories.person())
    assert client.session.session_key != before


def test_signing_out_ends_the_session_and_takes_a_post(client, signed_in):
    person = factories.person("manager")
    client = signed_in(person)
    assert client.get("/sign-out/").status_code == 405
    assert client.get("/people/").status_code == 200
    assert client.post("/sign-out/")["Location"] == URL
    assert client.get("/people/")["Location"] == f"{URL}?next=%2Fpeople%2F"
    assert AuditEvent.objects.filter(action="signed out", actor_id=person.pk).count() == 1


def test_a_shared_tablet_goes_to_the_pin_page(client):
    person = factories.person("viewer")
    answer = send(client, person, shared="on")
    assert answer["Location"] == reverse("web:tablet")
    assert Tablet.objects.get().account_id == person.pk
    assert AuditEvent.objects.get().action == "signed in a shared tablet"


def test_an_account_without_a_plant_cannot_be_a_shared_tablet(client):
    answer = send(client, factories.person("administrator"), shared="on")
    assert answer.status_code == 422
    assert "belongs to a plant" in answer.content.decode()
    assert not Tablet.objects.exists()


def test_nobody_who_is_not_signed_in_sees_a_page_and_htmx_is_sent_whole(client):
    answer = client.get(
        "/history/", headers={"HX-Request": "true", "HX-Current-URL": "http://testserver/history/?x=1"}
    )
    assert answer["HX-Redirect"] == f"{URL}?next=%2Fhistory%2F"


def test_what_a_person_saw_is_kept_out_of_the_browsers_store(signed_in):
    assert "no-store" in signed_in(factories.person("manager")).get("/people/")["Cache-Control"]
