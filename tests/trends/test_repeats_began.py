"""Repeat problems: the day on which one began, with its interval."""

import datetime as dt

import pytest

from linelog.trends.models import RepeatProblem
from linelog.trends.repeats import services
from linelog.trends.repeats.said import since_when
from linelog.trends.repeats.services import Words
from tests.trends.repeating import NOW, page, refit, toward, visits

pytestmark = pytest.mark.usefixtures("no_ram")


def test_the_day_it_began_is_told_with_its_interval(manager, machine, signed_in):
    """Found at rest where it was left until the fourth visit, far off at the fifth and since then: between these."""
    made = visits(machine, manager, [(1.0, 1.0)] * 4 + [toward(200, 80), toward(205, 90), toward(195, 85)])
    refit(manager)
    problem = RepeatProblem.objects.get()
    fourth, fifth = (visit.opened_at.date() for visit in made[3:5])
    assert fourth - dt.timedelta(days=5) <= problem.began_low <= problem.began_on
    assert fourth <= problem.began_on <= problem.began_high <= fifth
    said = f"It began between {problem.began_low} and {problem.began_high}, most likely about {problem.began_on} "
    assert said in page(signed_in(manager), "trends:repeat", problem.pk)
    services.take_up(by=manager, at=NOW, problem=problem, said=Words("slack", "tightened", fourth))
    refit(manager)
    problem.refresh_from_db()
    assert problem.began_on is None or problem.began_on >= fourth, "what came back after that day began after it"


@pytest.mark.parametrize(
    ("low", "likely", "high", "said"),
    [
        (None, None, None, "No day can be told"),
        (None, None, 9, "It began before 2026-01-10, and may be older"),
        (None, 4, 9, "It began before 2026-01-10, most likely about 2026-01-05."),
        (1, 4, 9, "It began between 2026-01-02 and 2026-01-10, most likely about 2026-01-05 (90 % interval)."),
    ],
)
def test_what_is_said_of_the_day_it_began(low, likely, high, said):
    day = [None if one is None else dt.date(2026, 1, 1) + dt.timedelta(days=one) for one in (low, likely, high)]
    problem = RepeatProblem(began_low=day[0], began_on=day[1], began_high=day[2])
    assert since_when(problem).startswith(said)
