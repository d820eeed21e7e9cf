"""The money adds up: machines, plan and evidence tell one amount; what is overbooked stands in no total."""

import re

import pytest
from django.urls import reverse

from linelog.planning.capacity import capacity_of
from linelog.planning.queries import open_entries
from linelog.planning.reconciled import reconcile_money
from linelog.planning.services import entries as services
from linelog.planning.suggest import avoided_by, room_of
from linelog.trends.state import outlook
from linelog.trends.state.effect import Effects
from linelog.trends.state.outlook import coming
from tests.planning.conftest import measured, stop

pytestmark = pytest.mark.django_db
CELL = re.compile(r"<td[^>]*>(.*?)</td>")


@pytest.fixture
def shown_effect(monkeypatch):
    """The plant's own counts show that tear-offs and spoilage rise with severity."""
    monkeypatch.setattr(outlook, "effects_of", lambda plant: Effects(1.2, 1.6, "Measured.", shown=True))


@pytest.fixture
def machines(plant, line, manager, now):
    return [measured(line, manager, now, name=f"BM {n}", size=0.5 + 0.5 * n, per_million=60.0) for n in range(4)]


def number(text):
    digits = re.sub(r"\D", "", re.sub("<[^>]+>", "", text))
    return int(digits) if digits else None


def table(page):
    """The rows of the plan's table of money by machine, and its last line."""
    part = page[page.index('id="money"') :]
    body, foot = (re.search(rf"<{tag}>(.*?)</{tag}>", part, re.DOTALL)[1] for tag in ("tbody", "tfoot"))
    rows = [row for row in map(CELL.findall, body.split("</tr>")) if row]
    by_machine = {re.sub("<[^>]+>", "", row[0]): [number(one) for one in row[1:]] for row in rows}
    return by_machine, [number(one) for one in CELL.findall(foot)]


def put(by, now, machine, week, hours=3.0, **more):
    facts = {"reason": "Due.", "pinned": False} | more
    return services.put(by=by, at=now, machine=machine, week=week, hours=hours, **facts)


def test_plan_evidence_and_the_pages_of_machines_tell_one_amount(
    signed_in, plant, line, manager, now, weeks, machines, shown_effect
):
    stop(plant, weeks[0], line=line, hours=12)
    stop(plant, weeks[1], line=line, hours=12)
    put(manager, now, machines[3], weeks[0])
    put(manager, now, machines[2], weeks[1])
    client = signed_in(manager)
    page = client.get(reverse("planning:plan") + f"?plant={plant.pk}&weeks=4").content.decode()
    rows, last = table(page)
    assert len(rows) >= 3
    assert [sum(row[at] or 0 for row in rows.values()) for at in range(4)] == last
    assert all(lost == avoided + still for _, lost, avoided, still in [*rows.values(), last])
    assert last[2] > 0
    for machine in machines:
        own = client.get(reverse("planning:machine", args=[machine.pk])).content.decode()
        told = re.search(r"tear-offs, ([\d\s\u202f]+) \S+ in the coming week", own)
        assert number(told[1]) == rows.get(str(machine), [0])[0]
    evidence = client.get(reverse("trends:evidence")).content.decode()
    told = re.search(r"if no machine is aligned: <strong>([^<]*)</strong>", evidence)
    assert number(told[1]) == last[0]
    told = re.search(r"<dt>Loss avoided</dt><dd><strong>(.*?) of (.*?) \S+</strong>", page)
    assert [number(told[1]), number(told[2])] == [last[2], last[1]]


def test_without_an_effect_of_its_own_the_plan_says_whose_assumption_it_is(signed_in, plant, manager, machines):
    client = signed_in(manager)
    page = client.get(reverse("planning:plan") + f"?plant={plant.pk}").content.decode()
    assert "by the plant's assumption" in page or "by the plant&#x27;s assumption" in page
    rows, _ = table(page)
    assert {row[0] for row in rows.values()} == {None}  # not known yet, as on the machines' own pages
    assert "What waiting costs is not known yet" in client.get(reverse("trends:evidence")).content.decode()


def test_what_is_overbooked_avoids_nothing_and_the_most_worth_goes_first(
    plant, line, manager, now, weeks, machines, shown_effect
):
    window = stop(plant, weeks[1], line=line, hours=4)
    less = put(manager, now, machines[1], weeks[1], hours=2.0)
    more = put(manager, now, machines[3], weeks[1], hours=2.5)
    type(less).objects.update(window=window, starts_at=window.starts_at)
    found, entries = coming(plant, 4, at=now), open_entries(plant)
    assert room_of(found, entries, capacity_of(plant, found.weeks, now)) == {more.pk}
    money = reconcile_money(found, entries, room_of(found, entries, capacity_of(plant, found.weeks, now)))
    assert money.avoided == round(avoided_by(found.machines[machines[3].pk], 1))
    type(less).objects.filter(pk=less.pk).update(is_pinned=True)
    assert room_of(found, open_entries(plant), capacity_of(plant, found.weeks, now)) == {less.pk}
    type(plant).objects.update(crew_hours_per_week=1.0)
    short = coming(type(plant).objects.get(), 4, at=now)
    assert room_of(short, open_entries(plant), capacity_of(short.plant, short.weeks, now)) == frozenset()
