"""The calendar against RFC 5545, read back with an independent eye: the rules of its text, and icalendar's parser."""

import datetime as dt
import re
import zoneinfo

import pytest
from django.urls import reverse
from icalendar import Calendar

from linelog.planning.models import CalendarAddress, PlannedVisit
from linelog.planning.services import calendars
from linelog.planning.services import entries as services
from linelog.web.errors import NotAllowed, Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.planning.conftest import stop
from tests.trends import invented

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]


@pytest.fixture
def address(line, manager, now):
    return calendars.make(by=manager, at=now, line=line, label="Wall screen")


@pytest.fixture
def entry(plant, machine, manager, now, weeks):
    stop(plant, weeks[1], day=2, hour=6)
    reason = "Domer; reaches, a 20 % risk of being out \\ and more: " + "über 75 Oktette " * 8
    return services.put(by=manager, at=now, machine=machine, week=weeks[1], hours=3.5, reason=reason, pinned=False)


def fetch(client, secret):
    return client.get(reverse("planning:feed", args=[secret]))


def events(client, secret):
    answer = fetch(client, secret)
    return {str(event["UID"]): event for event in Calendar.from_ical(answer.content).walk("VEVENT")}


class TestText:
    """Rules of RFC 5545 for the text itself: 3.1 lines, 3.3.11 escaping, 3.6 and 3.7 what must be there."""

    def test_lines_end_in_crlf_and_none_is_longer_than_75_octets(self, client, address, entry):
        content = fetch(client, address[1]).content
        assert content.endswith(b"\r\n")
        assert b"\n" not in content.replace(b"\r\n", b"")
        assert b"\r" not in content.replace(b"\r\n", b"")
        lines = content.split(b"\r\n")
        assert max(len(line) for line in lines) <= 75
        assert any(line.startswith(b" ") for line in lines), "the long reason is folded"
        for line in lines:
            line.decode("utf-8")  # a fold must not fall into a character

    def test_what_must_be_there_is_there_once(self, client, address, entry):
        content = re.sub(r"\r\n[ \t]", "", fetch(client, address[1]).content.decode())
        for name in ("VERSION:2.0", "PRODID:", "UID:", "DTSTAMP:", "DTSTART:", "DTEND:", "SEQUENCE:0", "STATUS:"):
            assert len(re.findall(f"^{name}", content, re.M)) == 1, name
        assert "METHOD" not in content
        assert re.search(r"^DTSTAMP:\d{8}T\d{6}Z\r$", content, re.M)

    def test_commas_semicolons_backslashes_and_line_ends_are_escaped_and_come_back(self, client, address, entry):
        content = re.sub(r"\r\n[ \t]", "", fetch(client, address[1]).content.decode())
        assert r"Domer\; reaches\, a 20 % risk of being out \\ and" in content
        assert r"\n3.5 h of work" in content
        (event,) = events(client, address[1]).values()
        assert str(event["DESCRIPTION"]).startswith(entry.reason)

    def test_its_type_and_that_nobody_need_sign_in(self, client, address, entry):
        answer = fetch(client, address[1])
        assert answer.status_code == 200
        assert answer["Content-Type"] == "text/calendar; charset=utf-8"
        assert answer["Referrer-Policy"] == "same-origin"


class TestEvents:
    def test_the_time_is_that_of_the_plants_clock(self, client, address, entry, weeks):
        (event,) = events(client, address[1]).values()
        berlin = zoneinfo.ZoneInfo("Europe/Berlin")
        wanted = dt.datetime.combine(weeks[1] + dt.timedelta(days=2), dt.time(6), tzinfo=berlin)
        assert event["DTSTART"].dt == wanted
        assert event["DTEND"].dt - event["DTSTART"].dt == dt.timedelta(hours=3.5)

    def test_without_a_stop_it_fills_the_days_of_its_week(self, client, address, entry, manager, now, weeks):
        services.change(by=manager, at=now, entry=entry, version=1, week=weeks[3], hours=3.5, pinned=False)
        (event,) = events(client, address[1]).values()
        assert (event["DTSTART"].dt, event["DTEND"].dt) == (weeks[3], weeks[3] + dt.timedelta(days=7))

    def test_the_uid_stays_and_sequence_and_stamp_grow(self, client, address, entry, manager, now, weeks):
        before = events(client, address[1])
        later = now + dt.timedelta(minutes=5)
        services.change(by=manager, at=later, entry=entry, version=1, week=weeks[1], hours=2.5, pinned=False)
        after = events(client, address[1])
        (uid,) = before
        assert after.keys() == before.keys()
        assert (int(before[uid]["SEQUENCE"]), int(after[uid]["SEQUENCE"])) == (0, 1)
        assert after[uid]["DTSTAMP"].dt > before[uid]["DTSTAMP"].dt

    def test_what_is_taken_out_is_told_as_cancelled_for_a_while(self, client, address, entry, manager, now):
        services.take_out(by=manager, at=now, entry=entry, version=1)
        (event,) = events(client, address[1]).values()
        assert (event["STATUS"], int(event["SEQUENCE"])) == ("CANCELLED", 1)
        PlannedVisit.objects.update(changed_at=now - dt.timedelta(days=91))
        assert events(client, address[1]) == {}

    def test_what_is_done_says_so_and_fetching_it_changes_nothing(
        self, client, address, entry, plant, machine, manager, now
    ):
        invented.signed_visit(machine, manager, now, signed_at=now + dt.timedelta(hours=1))
        (event,) = events(client, address[1]).values()
        entry.refresh_from_db()
        assert (str(event["SUMMARY"]), entry.state) == (f"Alignment: {machine}", "planned")
        services.close_done(at=now, plant=plant)  # as signing does
        (event,) = events(client, address[1]).values()
        assert str(event["SUMMARY"]) == f"Alignment: {machine} (done)"

    def test_another_line_is_not_in_it(self, client, address, entry, plant, manager, now, weeks):
        other = factories.machine(factories.line(plant))
        services.put(by=manager, at=now, machine=other, week=weeks[1], hours=2.0, reason="x", pinned=False)
        assert len(events(client, address[1])) == 1

    def test_it_says_that_it_is_no_permission(self, client, address, entry):
        (event,) = events(client, address[1]).values()
        assert "not permission to start or to enter a machine" in str(event["DESCRIPTION"])


class TestAddress:
    def test_only_the_fingerprint_of_the_secret_is_kept(self, address):
        row, secret = address
        assert len(secret) >= 43  # 32 random bytes
        assert secret not in str(CalendarAddress.objects.filter(pk=row.pk).values())
        history = str(list(AuditEvent.objects.values()))
        assert secret not in history
        assert row.digest not in history
        assert "made calendar address" in history

    def test_closed_or_unknown_it_is_not_there(self, client, address, manager, now):
        assert fetch(client, address[1] + "x").status_code == 404
        calendars.revoke(by=manager, at=now, address=address[0])
        assert fetch(client, address[1]).status_code == 404
        assert AuditEvent.objects.latest("pk").action == "revoked calendar address"
        with pytest.raises(Refused, match="closed already"):
            calendars.revoke(by=manager, at=now, address=address[0])

    def test_the_page_shows_it_once(self, signed_in, manager, line, client):
        client = signed_in(manager)
        page = client.post(
            "/plan/calendars/", {"kind": "calendar", "line": line.pk, "label": "Phone of the day shift"}
        )
        url = re.search(r'id="made">([^<]+)<', page.content.decode())[1]
        assert client.get(url).status_code == 200
        again = client.get("/plan/calendars/").content.decode()
        assert url not in again
        assert "Phone of the day shift" in again
        row = CalendarAddress.objects.get()
        assert client.post(reverse("planning:revoke", args=[row.pk])).status_code == 302
        assert client.get(url).status_code == 404

    def test_without_a_label_or_for_another_plant_it_is_refused(self, signed_in, manager, line, now):
        client = signed_in(manager)
        assert client.post("/plan/calendars/", {"kind": "calendar", "line": line.pk, "label": ""}).status_code == 422
        assert (
            client.post(
                "/plan/calendars/", {"kind": "calendar", "line": factories.line().pk, "label": "x"}
            ).status_code
            == 422
        )
        with pytest.raises(NotAllowed):
            calendars.make(by=manager, at=now, line=factories.line(), label="x")
        with pytest.raises(NotAllowed):
            calendars.make(by=factories.person("mechanic", line.plant), at=now, line=line, label="x")
