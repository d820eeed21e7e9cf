"""Numbers in addresses and hidden fields: whatever stands there is a number of nine digits at most, or none."""

import pytest
from django.http import QueryDict
from django.urls import reverse

from linelog.web.forms import add_row
from linelog.web.requests import whole
from tests import factories

LONG = "9" * 5000  # more digits than Python makes a number of


@pytest.mark.parametrize(("text", "number"), [("0", 0), ("17", 17), ("007", 7), ("9" * 9, 999_999_999)])
def test_a_whole_number(text, number):
    assert whole(text) == number


@pytest.mark.parametrize("text", ["", " ", "-1", "+1", "1.5", "1e3", "²", "٣", "9" * 10, LONG, "\x00"])
def test_what_is_none(text):
    assert whole(text) is None


def test_one_row_more_of_what_was_sent_and_none_of_what_makes_no_sense():
    for sent, then in (("3", "4"), ("x", "x"), (LONG, LONG)):
        data = QueryDict(f"parts-TOTAL_FORMS={sent}", mutable=True)
        add_row(data, "parts")
        assert data["parts-TOTAL_FORMS"] == then


@pytest.mark.django_db
def test_pages_asked_for_by_absurd_numbers_are_answered(client):
    plant = factories.plant()
    machine = factories.machine(factories.line(plant))
    visit = factories.visit(machine, factories.person("manager", plant))
    client.force_login(factories.person("manager", plant))
    for name in (
        "production:counts",
        "production:events",
        "production:walls",
        "trends:findings",
        "trends:before_after",
    ):
        assert client.get(reverse(name), {"page": LONG}).status_code == 200, name
    assert client.get(reverse("alignment:visits"), {"machine": LONG, "page": LONG}).status_code == 200
    assert client.get(reverse("alignment:probe_setup_add", args=[machine.pk]), {"from": LONG}).status_code == 200
    sent = {"place": LONG, "way": "up"}
    station = machine.stations.first()
    assert client.post(reverse("plant:station_move", args=[station.pk]), sent).status_code == 422
    sent = {"lockout_verified_by": "Ana", "lockout_tried": "on", "next_station": LONG}
    assert client.post(reverse("alignment:lockout", args=[visit.pk]), sent).status_code in {302, 422}
    for name in ("plant:ram", "alignment:probe_setup_add"):
        rows = dict.fromkeys(("sections-TOTAL_FORMS", "probes-TOTAL_FORMS"), LONG)
        answer = client.post(reverse(name, args=[machine.pk]), {"add_row": "1", **rows})
        assert answer.status_code in {200, 422}, name


@pytest.mark.django_db
def test_a_length_of_thousands_of_digits_is_too_large(client):
    answer = client.post("/sign-in/", b"", content_type="text/plain", headers={"content-length": LONG})
    assert answer.status_code == 413
