"""Static or running: what is read of the log for it, and what the page says."""

import datetime as dt
import re

import pytest
from django.urls import reverse

from linelog.production.models import DayCount
from linelog.trends.evidence.held_fit import KIND, fit_held, methods_of
from linelog.trends.models import Fit
from tests import factories
from tests.trends import invented

pytestmark = pytest.mark.django_db
TODAY = factories.counted_today()
EVERY, VISITS = 10, 4
FAR, NEAR = (400.0, 0.0), (0.0, 0.0)  # um: out of any limit, and on the line


def looked_at(machine, by, *, out):
    """Visits that leave the domer on the line and find it there by both ways, out by those of a visit's number."""
    domer, results = machine.stations.get(kind="domer"), []
    for number in range(VISITS):
        at = dt.datetime.combine(TODAY - dt.timedelta(days=EVERY * (VISITS - number)), dt.time(10), tzinfo=dt.UTC)
        visit = invented.signed_visit(machine, by, at)
        for method in ("static", "running"):
            carrier = {"carrier": ""} if method == "running" else {}
            found = FAR if number in out[method] else NEAR
            results.append(invented.result(visit, domer, "as_found", found, method=method, **carrier))
            results.append(invented.result(visit, domer, "as_left", NEAR, method=method, **carrier))
    invented.store(results)
    days = [TODAY - dt.timedelta(days=ago) for ago in range(EVERY * VISITS)]
    DayCount.objects.bulk_create(DayCount(machine=machine, day=day, cans=990_000, spoiled=10_000) for day in days)


def text(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def plant_of(machines):
    line = factories.line()
    by = factories.person("manager", line.plant)
    made = [factories.machine(line, name=f"BM {number}") for number in range(machines)]
    for number, machine in enumerate(made):
        looked_at(machine, by, out={"static": {1, 3}, "running": {2} if number % 2 else set()})
    fit_held(line.plant, dt.datetime.now(dt.UTC))
    return line.plant, by, made


def test_what_was_left_in_is_followed_to_the_next_visit_by_the_same_way():
    plant, _, made = plant_of(10)
    result = Fit.objects.get(plant=plant, kind=KIND).result
    assert result["machines"] == 10
    assert result["out"] == [20, 5]
    strokes = 10 * (VISITS - 1) * (EVERY - 1) * 1.0  # million: the whole days between two visits
    assert result["strokes"] == [pytest.approx(strokes), pytest.approx(strokes)]
    assert result["low"] < 5 / 20 < result["high"] < 1.0
    assert set(methods_of([machine.pk for machine in made]).values()) == {"running"}


def test_the_page_says_which_held_longer_or_that_it_is_not_told(signed_in):
    plant, by, _ = plant_of(10)
    page = text(signed_in(by).get(reverse("trends:before_after")))
    assert "Static or running" in page
    assert "7.4 (20 times)" in page
    assert "held longer running" in page
    Fit.objects.filter(plant=plant, kind=KIND).update(result={"missing": "machines"})
    assert "fewer than 6 machines have both ways" in text(signed_in(by).get(reverse("trends:before_after")))


def test_a_plant_that_measures_one_way_alone_is_told_so():
    line = factories.line()
    factories.machine(line)
    fit_held(line.plant, dt.datetime.now(dt.UTC))
    assert Fit.objects.get(plant=line.plant, kind=KIND).result == {"missing": "machines"}
