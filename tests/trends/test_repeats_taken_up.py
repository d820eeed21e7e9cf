"""Repeat problems: taken up by people, and whether they came back since."""

import datetime as dt

import pytest
from django.urls import reverse

from linelog.trends.models import RepeatProblem, TakeUp
from linelog.trends.repeats import services
from linelog.trends.repeats.queries import waiting
from linelog.trends.repeats.rule import Occasion, Rule, came_back
from linelog.trends.repeats.services import Words
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.trends.repeating import NOW, SETTLES, TODAY, page, refit, visits

Since = RepeatProblem.Since

pytestmark = pytest.mark.usefixtures("no_ram")


@pytest.mark.parametrize(
    ("since_then", "said"),
    [
        *[([], Since.WAITING), ([0, 0], Since.WAITING), ([0, 1, 0], Since.WAITING), ([0, 0, 0], Since.GONE)],
        *[([1, 1, 1], Since.BACK), ([1, 0, 0, 1, 1], Since.BACK), ([1, 1, 0, 0, 0], Since.GONE)],
    ],
)
def test_whether_it_came_back_is_said_once_the_rule_can_tell(since_then, said):
    """With 3 of 5: three times out is back; three in order of the last five cannot come to three out any more."""
    day = dt.date(2026, 1, 1)
    before = [Occasion(day - dt.timedelta(days=number), True) for number in (9, 6, 3, 0)]
    after = [Occasion(day + dt.timedelta(days=30 * (n + 1)), bool(out)) for n, out in enumerate(since_then)]
    assert came_back([*before, *after], day, Rule(3, 5)) is said


def test_taken_up_it_says_who_and_what_and_whether_it_came_back(manager, machine, signed_in):
    made = visits(machine, manager, SETTLES)
    refit(manager)
    problem = RepeatProblem.objects.get()
    url = reverse("trends:repeat_take_up", args=[problem.pk])
    mechanic = factories.person("mechanic", manager.plant)
    typed = {"cause_found": "Two screws slack", "action": "Torqued", "key": "once"}
    done = {**typed, "action_on": made[1].opened_at.date().isoformat()}
    client = signed_in(mechanic)
    for _ in range(2):  # a double tap
        assert client.post(url, done).status_code == 302
    taken = TakeUp.objects.get()
    assert (taken.by, taken.cause_found) == (mechanic, "Two screws slack")
    assert AuditEvent.objects.filter(action="took up", object_id=str(taken.pk)).count() == 1
    problem.refresh_from_db()
    assert problem.since == Since.BACK
    shown = page(client, "trends:repeat", problem.pk)
    assert "It came back: found again on 4 of the 4 visits since then" in shown
    assert "Two screws slack" in shown


def test_bad_words_are_told_at_their_field_and_nothing_is_stored(manager, machine, signed_in):
    visits(machine, manager, SETTLES)
    refit(manager)
    problem = RepeatProblem.objects.get()
    url = reverse("trends:repeat_take_up", args=[problem.pk])
    client = signed_in(manager)
    for typed, sentence in (
        ({}, "Whose is it?"),
        ({"action_on": "2026-01-01"}, "Say what was done"),
        ({"owner": "0"}, "Select a valid choice"),
        ({"owner": "x", "due_on": "soon"}, "not a date"),
        ({"cause_found": "x", "action": "y", "action_on": "31.2.26"}, "not a date"),
        ({"cause_found": "x", "action": "y", "action_on": "2099-01-01"}, "has not come yet"),
        ({"cause_found": "x" * 401, "action": "y", "action_on": "2026-01-01"}, "at most 400"),
        ({"cause_found": "x\0", "action": "y", "action_on": "0001-01-01"}, "Null characters"),
    ):
        answer = client.post(url, typed)
        assert answer.status_code == 422
        assert sentence in answer.content.decode()
    assert not TakeUp.objects.exists()


def test_who_may_only_look_and_who_comes_second_is_refused(manager, machine, signed_in):
    visits(machine, manager, SETTLES)
    refit(manager)
    problem = RepeatProblem.objects.get()
    said = Words("slack", "tightened", TODAY - dt.timedelta(days=40))
    with pytest.raises(NotAllowed):
        services.take_up(by=factories.person("viewer", manager.plant), at=NOW, problem=problem, said=said)
    with pytest.raises(Refused):
        services.take_up(by=manager, at=NOW, problem=problem, said=Words("a", "b", TODAY + dt.timedelta(days=1)))
    taken = services.take_up(by=manager, at=NOW, problem=problem, said=said)
    services.change(by=manager, at=NOW, taken=taken, said=Words("worn", "changed", said.action_on), version=1)
    with pytest.raises(Conflict):
        services.change(by=manager, at=NOW, taken=taken, said=said, version=1)
    typed = {"cause_found": "mine", "action": "mine", "action_on": "2026-05-01", "version": 1}
    answer = signed_in(manager).post(reverse("trends:take_up", args=[taken.pk]), typed)
    assert answer.status_code == 409
    assert "worn" in answer.content.decode()
    assert "mine" in answer.content.decode()
    answer = signed_in(manager).post(reverse("trends:take_up", args=[taken.pk]), {**typed, "version": 2})
    assert answer.status_code == 302
    assert (TakeUp.objects.get().cause_found, TakeUp.objects.get().version) == ("mine", 3)


def test_taking_it_up_is_a_small_thing_and_what_was_done_comes_later(manager, machine, signed_in):
    made = visits(machine, manager, SETTLES)
    refit(manager)
    problem = RepeatProblem.objects.get()
    mechanic = factories.person("mechanic", manager.plant, first_name="Ana", last_name="Berg")
    client = signed_in(manager)
    due = factories.today() + dt.timedelta(days=7)
    said = {"owner": mechanic.pk, "due_on": due.isoformat(), "key": "k"}
    assert client.post(reverse("trends:repeat_take_up", args=[problem.pk]), said).status_code == 302
    taken = TakeUp.objects.get()
    assert (taken.in_work, taken.owner, taken.due_on, taken.cause_found) == (True, mechanic, due, "")
    problem.refresh_from_db()
    assert problem.since == Since.IN_WORK
    refit(manager)
    problem.refresh_from_db()
    assert problem.since == Since.IN_WORK, "the refit knows that somebody is at it"
    assert list(waiting(manager)) == []
    shown = page(client, "trends:repeat", problem.pk)
    assert f"in work: Ana Berg, by {due.isoformat()}" in shown
    assert "Nothing was done yet." in shown

    TakeUp.objects.update(due_on=factories.today() - dt.timedelta(days=2))
    assert list(waiting(manager)) == [problem], "beyond its day it waits again"
    done = {
        "owner": mechanic.pk,
        "action": "Torqued",
        "action_on": made[1].opened_at.date().isoformat(),
        "version": 1,
    }
    assert client.post(reverse("trends:take_up", args=[taken.pk]), done).status_code == 302
    problem.refresh_from_db()
    assert problem.since == Since.BACK, "later visits say whether it helped"
    assert "not known yet" in page(client, "trends:repeat", problem.pk)


def test_nobody_of_another_plant_sees_to_it(manager, machine):
    visits(machine, manager, SETTLES)
    refit(manager)
    problem, other = RepeatProblem.objects.get(), factories.person("mechanic")
    with pytest.raises(Refused, match="not of the plant"):
        services.take_up(by=manager, at=NOW, problem=problem, said=Words(owner=other))
