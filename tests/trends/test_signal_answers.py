"""Signals as people meet them: listed, with what had changed near each, and answered with what was found."""

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.plant.models import Fitting, ToolingSet
from linelog.production.models import Event
from linelog.trends.control import services
from linelog.trends.control.nearby import changes_near
from linelog.trends.models import Signal
from linelog.web.errors import Conflict, NotAllowed
from linelog.web.models import AuditEvent
from tests import factories
from tests.trends import invented
from tests.trends.invented import made_signal

NOW, TODAY = factories.NOW, factories.NOW.date()
REAL_TODAY = factories.counted_today()  # pages read the clock


def test_what_changed_within_a_day_is_shown_and_nothing_farther_off(manager, machine, signed_in):
    day = TODAY - dt.timedelta(days=10)
    signal = made_signal(machine, day, began_on=day - dt.timedelta(days=20))
    noon = dt.datetime.combine(day, dt.time(12), tzinfo=dt.UTC)
    tools = ToolingSet.objects.create(plant=manager.plant, name="Set 9")
    Fitting.objects.create(tooling_set=tools, machine=machine, fitted_at=noon - dt.timedelta(days=20))
    for days, kind in ((-1, "jam"), (0, "metal"), (2, "crash"), (-2, "ram_work"), (-10, "bushing_work")):
        at = noon + dt.timedelta(days=days)
        Event.objects.create(
            machine=machine, at=at, kind=kind, coil_lot="C-77" if kind == "metal" else "", by=manager
        )
    visit = invented.signed_visit(machine, manager, noon + dt.timedelta(days=1))
    other = factories.machine(machine.line)
    Event.objects.create(machine=other, at=noon, kind="jam", by=manager)
    said = [change.said for change in changes_near([signal])[signal.pk]]
    assert [words.split(" ", 1)[1] for words in said] == [
        "tooling set on: Set 9",
        "jam",
        "coil or metal change: coil lot C-77",
        "visit: routine check",
    ]
    client = signed_in(manager)
    for name, parts in (("trends:signals", []), ("trends:signal", [signal.pk])):
        shown = client.get(reverse(name, args=parts), {"days": ""}).content.decode()
        assert "coil lot C-77" in shown
        assert reverse("alignment:visit", args=[visit.pk]) in shown


def test_the_night_of_a_production_day_belongs_to_the_day_it_began_in(manager, machine):
    """At 03:00 on the 6th it is still the production day of the 5th (days begin at six, Berlin time)."""
    signal = made_signal(machine, dt.date(2026, 6, 4))
    for hour in (3, 5):  # 03:00 UTC is 05:00, 05:00 UTC is 07:00 in Berlin
        at = dt.datetime(2026, 6, 6, hour, tzinfo=dt.UTC)
        Event.objects.create(machine=machine, at=at, kind="jam", note=f"{hour} UTC", by=manager)
    assert [change.detail for change in changes_near([signal])[signal.pk]] == ["3 UTC"]


def answering(signals, **said):
    return {"seen": [f"{one.pk}:{one.version}" for one in signals], **said}


def test_signals_are_answered_together_with_cause_owner_and_link(manager, machine, signed_in):
    day = TODAY - dt.timedelta(days=10)
    first, second = made_signal(machine, day), made_signal(machine, day, measure="spoiled")
    left = made_signal(machine, day - dt.timedelta(days=1))
    visit = invented.signed_visit(machine, manager, NOW - dt.timedelta(days=9))
    mechanic = factories.person("mechanic", manager.plant)
    client, url = signed_in(mechanic), reverse("trends:signals_answer")
    page = client.get(url, {"signal": [first.pk, second.pk]})
    assert [line.signal.pk for line in page.context["lines"]] == [first.pk, second.pk]
    said = {"cause": "alignment", "owner": manager.pk, "visit": visit.pk, "note": "Domer was low."}
    assert client.post(url, answering([first, second], **said)).url == reverse("trends:signals")
    for one in Signal.objects.filter(pk__in=[first.pk, second.pk]):
        assert (one.cause, one.owner, one.visit, one.found) == ("alignment", manager, visit, "Domer was low.")
        assert (one.closed_by, one.version) == (mechanic, 2)
    assert AuditEvent.objects.filter(action="said what was found").count() == 2
    assert Signal.objects.get(pk=left.pk).cause == ""
    text = client.get(reverse("trends:signal", args=[first.pk])).content.decode()
    for word in (
        "Alignment",
        "Domer was low.",
        str(mechanic),
        str(manager),
        reverse("alignment:visit", args=[visit.pk]),
    ):
        assert word in text


def test_an_owner_without_a_cause_leaves_it_open_in_his_hands(manager, machine, signed_in):
    signal = made_signal(machine, REAL_TODAY)
    client, url = signed_in(manager), reverse("trends:signals_answer")
    assert client.post(url, answering([signal], owner=manager.pk)).status_code == 302
    one = Signal.objects.get(pk=signal.pk)
    assert (one.owner, one.cause, one.closed_at) == (manager, "", None)
    assert f"open, with {manager}" in client.get(reverse("trends:signals")).content.decode()


def test_a_finding_of_the_machine_is_linked_and_may_go(manager, machine, signed_in):
    factories.finding_lists(manager.plant)
    finding = factories.finding(manager.plant, manager, machine=machine)
    signal = made_signal(machine, finding.found_on)
    client, url = signed_in(manager), reverse("trends:signals_answer")
    assert client.post(url, answering([signal], cause="metal", finding=finding.pk)).status_code == 302
    assert Signal.objects.get(pk=signal.pk).finding == finding
    finding.delete()
    assert Signal.objects.get(pk=signal.pk).cause == "metal"


def test_bad_answers_are_told_and_who_comes_second_sees_both(manager, machine, signed_in):
    signal = made_signal(machine, TODAY)
    other = made_signal(factories.machine(machine.line, name="BM 2"), TODAY)
    visit = invented.signed_visit(machine, manager, NOW - dt.timedelta(days=9))
    stranger = factories.person("mechanic")
    url, client = reverse("trends:signals_answer"), signed_in(manager)
    for signals, said, sentence in (
        ([signal], {}, "Choose what was found, or who goes on with it."),
        ([signal], {"cause": "ghosts"}, "There is no such cause"),
        ([signal], {"cause": "other", "note": "  "}, "Say in the note what was found."),
        ([signal], {"cause": "metal", "note": "x" * 401}, "at most 400"),
        ([signal], {"cause": "metal", "owner": stranger.pk}, "There is nobody of that name"),
        ([signal], {"cause": "metal", "visit": 10**6}, "That visit is not of the machine"),
        ([other], {"cause": "metal", "visit": visit.pk}, "That visit is not of the machine"),
        ([signal, other], {"cause": "metal", "visit": visit.pk}, "That visit is not of BM 2"),
        ([], {"cause": "metal"}, "Tick the signals to answer first."),
    ):
        answer = client.post(url, answering(signals, **said))
        assert answer.status_code == 422
        assert sentence in answer.content.decode()
    for broken in ("x", "1", f"{signal.pk}:", f"{signal.pk}:{'9' * 30}", ":1", "\0:1"):
        answer = client.post(url, {"seen": broken, "cause": "metal"})
        assert (answer.status_code, "reload it" in answer.content.decode()) == (422, True)
    assert not Signal.objects.exclude(cause="").exists()
    assert client.post(url, answering([signal], cause="tooling", note="theirs")).status_code == 302
    answer = client.post(url, answering([signal, other], cause="metal", note="mine"))
    assert answer.status_code == 409
    text = answer.content.decode()
    assert "Tooling, theirs" in text
    assert 'value="mine"' in text
    assert Signal.objects.get(pk=other.pk).cause == ""
    with pytest.raises(Conflict):
        services.answer(by=manager, at=NOW, seen={signal.pk: 1}, said=services.Words(cause="metal"))
    viewer = factories.person("viewer", manager.plant)
    with pytest.raises(NotAllowed):
        services.answer(by=viewer, at=NOW, seen={signal.pk: 2}, said=services.Words(cause="metal"))


def test_signals_of_another_plant_are_not_there(manager, machine, signed_in):
    signal = made_signal(machine, TODAY)
    client, url = signed_in(factories.person("manager")), reverse("trends:signals_answer")
    for answer in (client.get(url, {"signal": signal.pk}), client.post(url, answering([signal], cause="metal"))):
        assert (answer.status_code, "not there any more" in answer.content.decode()) == (422, True)
    assert client.get(url, {"signal": "x"}).status_code == 422
    assert Signal.objects.get().cause == ""


def test_a_signal_leads_to_the_same_line_as_its_machine(manager, machine, signed_in):
    signal = made_signal(machine, REAL_TODAY)
    client = signed_in(manager)
    pages = [
        client.get(reverse(f"trends:{name}", args=[pk]))
        for name, pk in (("signal", signal.pk), ("machine", machine.pk))
    ]
    assert len({page.context["head"].todo for page in pages}) == 1
    assert all(page.context["head"].todo.what in page.content.decode() for page in pages)
    assert reverse("trends:signal", args=[signal.pk]) in pages[1].content.decode()


def test_the_list_is_as_chosen(manager, machine, signed_in):
    made_signal(machine, REAL_TODAY)
    closed = made_signal(machine, REAL_TODAY - dt.timedelta(days=1), measure="spoiled")
    services.answer(by=manager, at=NOW, seen={closed.pk: 1}, said=services.Words(cause="not_found"))
    made_signal(machine, REAL_TODAY - dt.timedelta(days=2), aside="counts")
    client = signed_in(manager)

    def shown(**choice):
        return {line.signal.day for line in client.get(reverse("trends:signals"), choice).context["lines"]}

    today, before, aside = (REAL_TODAY - dt.timedelta(days=n) for n in range(3))
    assert shown() == {today}
    assert shown(state="answered") == {before}
    assert shown(state="aside") == {aside}
    assert shown(state="") == {today, before, aside}
    assert shown(state="", measure="spoiled") == {before}
    assert shown(state="", machine=machine.pk) == {today, before, aside}
    for bad in ({"state": "x"}, {"machine": 0}, {"machine": "x"}, {"days": "9"}, {"measure": "\0"}):
        assert client.get(reverse("trends:signals"), bad).status_code == 422


def test_pages_ask_as_often_for_many_signals_as_for_one(manager, machine, signed_in):
    client = signed_in(manager)
    signal = made_signal(machine, REAL_TODAY)

    def asked(url):
        client.get(url)
        with CaptureQueriesContext(connection) as seen:
            assert client.get(url).status_code == 200
        return len(seen)

    urls = [
        reverse("trends:signals"),
        reverse("trends:machine_signals", args=[machine.pk]),
        reverse("trends:signal", args=[signal.pk]),
    ]
    one = [asked(url) for url in urls]
    for number in range(30):
        other = factories.machine(machine.line)
        made_signal(other, REAL_TODAY)
        made_signal(machine, REAL_TODAY - dt.timedelta(days=number + 8))
        Event.objects.create(machine=other, at=NOW, kind="jam", by=manager)
    assert [asked(url) for url in urls] == one
    assert max(one[:2]) <= 14
    assert one[2] <= 60  # with what to do at its machine
