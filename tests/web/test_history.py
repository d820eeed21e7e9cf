"""The history page: own plant only, found by person, record and day, both values side by side."""

import datetime as dt
import re
import zoneinfo

import pytest
from django.apps import apps

from linelog.alignment.models import Visit
from linelog.web import audit, history
from linelog.web.models import AuditEvent
from tests import factories

pytestmark = pytest.mark.django_db
NOW = factories.NOW


@pytest.fixture
def quality():
    return factories.person("quality", factories.plant(timezone="America/Denver"))


def write(by, obj, action="changed", at=NOW, **more):
    return audit.record(by=by, action=action, obj=obj, at=at, **more)


def labels(answer):
    return [line.event.action for line in answer.context["rows"]]


def test_before_and_after_stand_side_by_side_and_only_what_changed(signed_in, quality):
    station = factories.machine(factories.line(quality.plant)).stations.first()
    before = audit.snapshot(station)
    write(quality, station, before=before, after={**before, "limit_um": 25.0})
    text = signed_in(quality).get("/history/").content.decode()
    assert re.search(r'<th scope="row">limit \(mm\)</th><td>0\.013</td><td>0\.025</td>', text), "as it is read"
    assert "z (mm)" not in text


def test_ids_codes_and_times_are_put_into_words(signed_in, quality):
    """An id, a code and a time in UTC are read as a name, a word and the plant's wall clock (Denver: UTC-6)."""
    machine = factories.machine(factories.line(quality.plant))
    visit = Visit.objects.create(machine=machine, opened_by=quality, opened_at=NOW, reason=Visit.Reason.ROUTINE)
    write(quality, visit, after=audit.snapshot(visit))
    gone = {**audit.snapshot(visit), "opened_by_id": 2**40}
    write(quality, visit, before=audit.snapshot(visit), after=gone)
    rows = signed_in(quality).get("/history/").context["rows"]
    told = {change.name: change.after for change in rows[1].changes}
    local = NOW.astimezone(zoneinfo.ZoneInfo("America/Denver"))
    assert (told["machine"], told["opened by"]) == (str(machine), str(quality))
    assert told["reason"] == Visit.Reason.ROUTINE.label != Visit.Reason.ROUTINE.value
    assert told["opened at"] == f"{local:%Y-%m-%d %H:%M:%S}"
    assert not {"id", "version"} & set(told)
    assert [(one.name, one.before, one.after) for one in rows[0].changes] == [
        ("opened by", str(quality), f"no. {2**40}, taken out since")
    ]


def test_each_event_has_the_time_of_its_own_plant_where_there_are_several(signed_in, quality):
    tokyo = factories.person("manager", factories.plant(timezone="Asia/Tokyo"))
    for by in (quality, tokyo):
        write(by, by)
    page = signed_in(factories.person("administrator")).get("/history/").content.decode()
    for zone in ("America/Denver", "Asia/Tokyo"):
        local = NOW.astimezone(zoneinfo.ZoneInfo(zone))
        assert f">{local:%Y-%m-%d %H:%M:%S}</time>" in page


def test_no_two_kinds_of_record_share_the_name_that_an_event_keeps():
    names = [model._meta.model_name for model in apps.get_models()]
    assert len(names) == len(set(names))


def test_names_are_asked_for_once_a_kind_of_record(signed_in, quality, django_assert_num_queries):
    client = signed_in(quality)
    machine = factories.machine(factories.line(quality.plant))
    for _ in range(2):
        write(quality, machine, after=audit.snapshot(machine))
    with django_assert_num_queries(4):  # the line it stands on
        client.get("/history/")
    for _ in range(20):
        write(quality, machine, after=audit.snapshot(machine))
    with django_assert_num_queries(4):
        client.get("/history/")


def test_another_plants_history_is_not_shown_whatever_is_asked(signed_in, quality):
    stranger = factories.person("manager")
    write(stranger, stranger, "elsewhere")
    write(quality, quality, "here")
    client = signed_in(quality)
    assert labels(client.get("/history/")) == ["here"]
    assert labels(client.get("/history/", {"object": f"person:{stranger.pk}"})) == []
    assert labels(client.get("/history/", {"person": str(stranger)})) == []


def test_an_administrator_without_a_plant_sees_all_of_it(signed_in, quality):
    stranger = factories.person("manager")
    write(stranger, stranger, "elsewhere")
    write(quality, quality, "here")
    assert set(labels(signed_in(factories.person("administrator")).get("/history/"))) == {"elsewhere", "here"}


def test_it_is_found_by_person_and_by_record(signed_in, quality):
    machine, other = (factories.machine(factories.line(quality.plant)) for _ in range(2))
    colleague = factories.person("manager", quality.plant, first_name="Zdenka")
    write(quality, machine, "one")
    write(colleague, machine, "two")
    write(colleague, other, "three")
    client = signed_in(quality)
    assert labels(client.get("/history/", {"person": "zden"})) == ["three", "two"]
    assert labels(client.get("/history/", {"object": f"machine:{machine.pk}"})) == ["two", "one"]


def test_days_are_the_plants_own(signed_in, quality):
    """05:59 UTC on 15 June is still 14 June in Denver, 06:00 UTC is the 15th (UTC-6 in summer)."""
    write(quality, quality, "before", at=dt.datetime(2026, 6, 15, 5, 59, 59, tzinfo=dt.UTC))
    write(quality, quality, "first", at=dt.datetime(2026, 6, 15, 6, tzinfo=dt.UTC))
    write(quality, quality, "last", at=dt.datetime(2026, 6, 16, 5, 59, 59, tzinfo=dt.UTC))
    write(quality, quality, "after", at=dt.datetime(2026, 6, 16, 6, tzinfo=dt.UTC))
    answer = signed_in(quality).get("/history/", {"first": "2026-06-15", "last": "2026-06-15"})
    assert labels(answer) == ["last", "first"]


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"first": "2026-02-30"}, "first"),
        ({"first": "0001-01-01"}, "first"),
        ({"last": "9999-12-31"}, "last"),
        ({"first": "2026-06-02", "last": "2026-06-01"}, "last"),
        ({"object": "machine"}, "object"),
        ({"object": "machine:1' OR 1=1"}, "object"),
        ({"person": "nul\x00"}, "person"),
    ],
)
def test_what_cannot_be_looked_for_is_told_beside_the_field(signed_in, quality, asked, field):
    answer = signed_in(quality).get("/history/", asked)
    assert answer.status_code == 422
    assert answer.context["form"].errors[field]


def test_pages_hold_fifty_and_lead_on_with_the_same_choices(signed_in, quality):
    for number in range(history.PAGE + 1):
        write(quality, quality, str(number), at=NOW + dt.timedelta(seconds=number))
    client = signed_in(quality)
    first = client.get("/history/", {"person": quality.first_name})
    assert labels(first)[0] == str(history.PAGE)
    assert len(labels(first)) == history.PAGE
    assert f"?person={quality.first_name}&amp;page=2" in first.content.decode()
    assert labels(client.get("/history/", {"page": "2"})) == ["0"]


@pytest.mark.parametrize("asked", ["0", "-1", "x", "9" * 40, "²", "99999"])
def test_a_page_that_is_not_there_is_no_error(signed_in, quality, asked):
    assert signed_in(quality).get("/history/", {"page": asked}).status_code == 200


def test_the_number_of_queries_does_not_grow_with_the_rows(signed_in, quality, django_assert_num_queries):
    client = signed_in(quality)
    write(quality, quality)
    client.get("/history/")
    with django_assert_num_queries(3):
        client.get("/history/")
    for _ in range(30):
        write(quality, quality)
    with django_assert_num_queries(3):
        client.get("/history/")


def test_an_event_outlives_what_it_speaks_of_and_hides_secrets(quality):
    gone = factories.person("mechanic", quality.plant, pin_hash="secret-hash")
    write(quality, gone, "deleted", before=audit.snapshot(gone))
    gone.delete()
    event = AuditEvent.objects.get()
    assert event.object_label == str(gone)
    assert "secret-hash" not in str(event.before)
    assert gone.password not in str(event.before)
