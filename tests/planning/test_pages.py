"""The pages of the plan: what each role sees, every form without a script, bad input, and how often they ask."""

import datetime as dt
import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.calc.wander.knowledge import FEWEST
from linelog.planning.models import PlannedVisit, StopWindow
from linelog.planning.services import entries as services
from linelog.trends.due.store import refit_drifts
from linelog.trends.state.outlook import coming
from linelog.web.units import show_hours
from tests import factories
from tests.planning.conftest import measured, stop

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]
HTMX = {"HX-Request": "true"}


@pytest.fixture
def entry(plant, machine, manager, now, weeks):
    stop(plant, weeks[1])
    return services.put(
        by=manager, at=now, machine=machine, week=weeks[1], hours=3.0, reason="Domer due.", pinned=False
    )


def typed(entry, **more):
    return {"week": entry.week.isoformat(), "hours": f"{entry.hours:g}", "version": entry.version, **more}


def text_of(answer):
    return answer.content.decode()


class TestPlan:
    def test_everybody_reads_it_and_only_the_manager_finds_buttons(self, client_of, entry):
        for role in ("mechanic", "quality", "viewer"):
            text = text_of(client_of(role).get("/plan/"))
            assert "Domer due." in text
            assert "Take out" not in text
            assert "Take over" not in text
        text = text_of(client_of("manager").get("/plan/"))
        assert "Take out" in text
        assert "Earlier" in text

    def test_moved_by_choosing_a_week_or_by_a_button(self, client_of, entry, weeks):
        client = client_of("manager")
        url = reverse("planning:change", args=[entry.pk])
        assert client.post(url, typed(entry, week=weeks[2].isoformat())).status_code == 302
        entry.refresh_from_db()
        assert entry.week == weeks[2]
        assert client.post(url, typed(entry, to=weeks[3].isoformat())).status_code == 302
        entry.refresh_from_db()
        assert entry.week == weeks[3]

    @pytest.mark.parametrize("hours", ["2.25", "0.125"])
    def test_hours_stay_as_they_were_typed_whatever_is_sent_from_the_page_again(self, client_of, entry, hours):
        """0.125 h is read as 0.12 (two decimals are enough to read), and its field holds what was typed."""
        client, url = client_of("manager"), reverse("planning:change", args=[entry.pk])
        client.post(url, typed(entry, hours=hours))
        text = text_of(client.get("/plan/"))
        (held,) = re.findall(rf'id="hours-{entry.pk}" value="([^"]*)"', text)
        entry.refresh_from_db()
        client.post(url, typed(entry, hours=held, pinned="on"))
        entry.refresh_from_db()
        assert (held, entry.hours, entry.is_pinned) == (hours, float(hours), True)
        shown = {"2.25": "2.25 h", "0.125": "0.12 h"}[hours]
        for page in ("/plan/", reverse("planning:machine", args=[entry.machine_id])):
            assert shown in text_of(client.get(page)), page

    def test_hours_that_were_worked_out_are_planned_as_they_are_read(self, plant, machine, now):
        """Sweeps of 4 minutes make no whole hundredths: what is planned is 1.27, not 1.26667."""
        for minutes in (4.0, 7.0, 11.0):
            type(plant).objects.update(sweep_minutes=minutes)
            plant.refresh_from_db()
            hours = coming(plant, 2, at=now, only=machine).machines[machine.pk].hours
            assert float(show_hours(hours)) == hours > 0.0

    def test_with_htmx_the_effect_is_there_at_once(self, client_of, entry, weeks):
        url = reverse("planning:change", args=[entry.pk])
        answer = client_of("manager").post(url, typed(entry, hours="23,5"), headers=HTMX)
        assert answer.status_code == 200
        text = text_of(answer)
        assert text.lstrip().startswith('<section id="plan"')
        assert "overbooked by 3.5 h" in text
        assert "It takes 23.5 h and its stop is 8 h long." in text

    @pytest.mark.parametrize(
        ("wrong", "sentence"),
        [
            ({"hours": "-3"}, "The hours must be above zero."),
            ({"hours": "many"}, "is not a number"),
            ({"hours": ""}, "Give the hours."),
            ({"hours": "1e400"}, "is not a number"),
            ({"week": "2026-02-31"}, "not a week of the calendar"),
            ({"week": "0001-01-01"}, "Give a day between"),
            ({"week": "2001-01-01"}, "this week or one of the coming year"),
            ({"hours": "900"}, "above 0 and at most 200"),
        ],
    )
    def test_what_is_typed_wrong_is_told_beside_it_and_nothing_is_stored(self, client_of, entry, wrong, sentence):
        answer = client_of("manager").post(reverse("planning:change", args=[entry.pk]), typed(entry, **wrong))
        assert answer.status_code == 422
        assert sentence in text_of(answer)
        assert PlannedVisit.objects.get().version == 1

    def test_over_another_change_is_a_conflict_that_shows_what_stands(self, client_of, entry, weeks):
        PlannedVisit.objects.update(version=5)
        answer = client_of("manager").post(reverse("planning:change", args=[entry.pk]), typed(entry))
        assert answer.status_code == 409
        assert "changed by somebody else" in text_of(answer)

    def test_taken_out(self, client_of, entry):
        url = reverse("planning:take_out", args=[entry.pk])
        assert client_of("manager").post(url, {"version": 1}).status_code == 302
        assert PlannedVisit.objects.get().state == "cancelled"
        assert client_of("manager").post(url, {"version": 2}).status_code == 422
        assert client_of("manager").post(url, {"version": "x"}).status_code == 422

    def test_a_machine_put_in_by_hand_is_pinned(self, client_of, machine, weeks):
        url = reverse("planning:add", args=[machine.pk])
        data = {"week": weeks[1].isoformat(), "hours": "4"}
        assert client_of("manager").post(url, data).status_code == 302
        made = PlannedVisit.objects.get()
        assert (made.is_pinned, made.week, made.machine) == (True, weeks[1], machine)
        assert made.reason
        assert client_of("manager").post(url, data).status_code == 409

    def test_the_suggestion_is_stored_only_when_taken_over_and_only_what_is_ticked(
        self, client_of, plant, line, manager, now, weeks
    ):
        one, two = (measured(line, manager, now, name=f"BM {n}", size=2.0) for n in (1, 2))
        stop(plant, weeks[1], hours=20)
        client = client_of("manager")
        page = client.get("/plan/")
        suggestion = page.context["suggestion"]
        assert {change.machine for change in suggestion.changes} == {one.pk, two.pk}
        assert not PlannedVisit.objects.exists()
        url = reverse("planning:accept", args=[plant.pk])
        stale = client.post(url, {"digest": "of yesterday", "take": [one.pk]})
        assert stale.status_code == 409
        assert "nothing was stored" in text_of(stale)
        assert client.post(url, {"digest": suggestion.digest}).status_code == 422
        assert client.post(url, {"digest": suggestion.digest, "take": ["x"]}).status_code == 422
        assert not PlannedVisit.objects.exists()
        assert client.post(url, {"digest": suggestion.digest, "take": [one.pk]}).status_code == 302
        assert [entry.machine for entry in PlannedVisit.objects.all()] == [one]
        assert client.get("/plan/").context["suggestion"].changes[0].machine == two.pk

    @pytest.mark.parametrize("weeks", ["1", "9", "x", "-1"])
    def test_a_number_of_weeks_that_is_none_is_told(self, client_of, plant, weeks):
        answer = client_of("viewer").get(f"/plan/?weeks={weeks}")
        assert answer.status_code == 422
        assert "Choose 2 to 8 weeks." in text_of(answer)

    def test_no_stops_no_hours_and_nothing_at_all_are_said(self, client_of, plant, signed_in):
        type(plant).objects.update(crew_hours_per_week=0.0)
        text = text_of(client_of("manager").get("/plan/?weeks=2"))
        assert "No stop of the plant is set" in text
        assert "0 hours a week" in text
        nobody = factories.person("administrator", None)
        type(plant).objects.exclude(pk=plant.pk).delete()
        assert text_of(signed_in(nobody).get("/plan/"))

    @pytest.mark.parametrize("given", ["x", "99999", "1e9"])
    def test_a_plant_that_is_none_is_not_there(self, client_of, plant, given):
        assert client_of("manager").get(f"/plan/?plant={given}").status_code == 404

    def test_it_asks_as_often_for_forty_machines_as_for_ten(self, client_of, plant, line, manager, now, weeks):
        stop(plant, weeks[1], hours=40)
        client, seen = client_of("manager"), []
        for more in (4, 16):
            for _ in range(more):
                made = measured(line, manager, now, name=f"BM {len(seen)}{more}{PlannedVisit.objects.count()}")
                services.put(by=manager, at=now, machine=made, week=weeks[1], hours=2.0, reason="Due.", pinned=False)
            refit_drifts(plant, now)  # as the nightly work does: a page gives up after some seconds
            client.get("/plan/")
            with CaptureQueriesContext(connection) as asked:
                assert client.get("/plan/").status_code == 200
            seen.append(len(asked))
        assert seen[0] == seen[1] <= 40


class TestStopPages:
    def data(self, now, **more):
        start = (now + dt.timedelta(days=3)).strftime("%Y-%m-%dT06:00")
        end = (now + dt.timedelta(days=3)).strftime("%Y-%m-%dT14:00")
        return {"what": "plant", "starts_at": start, "ends_at": end, "crews": "1", "note": "", **more}

    def test_times_are_of_the_plants_clock(self, client_of, plant, now):
        answer = client_of("manager").post(reverse("planning:add_stop", args=[plant.pk]), self.data(now))
        assert answer.status_code == 302
        made = StopWindow.objects.get()
        assert made.hours == 8.0
        page = client_of("manager").get(reverse("planning:stop", args=[made.pk]))
        assert 'T06:00"' in text_of(page)

    @pytest.mark.parametrize(
        ("wrong", "sentence"),
        [
            ({"ends_at": "2026-01-01T00:00", "starts_at": "2026-01-02T00:00"}, "ends before it begins"),
            ({"ends_at": "soon"}, "not a day and time of the calendar"),
            ({"ends_at": ""}, "Give the day and the time."),
            ({"ends_at": "0001-01-01T00:00"}, "Give a day between"),
            ({"ends_at": "9999-12-31T23:59"}, "Give a day between"),
            ({"crews": "0"}, "Between 1 and 20 crews."),
            ({"crews": "-1"}, "Between 1 and 20 crews."),
            ({"crews": "a"}, "Between 1 and 20 crews."),
            ({"what": "machine-0"}, "Select a valid choice"),
            ({"note": "x" * 81}, "at most 80"),
        ],
    )
    def test_what_is_typed_wrong_is_told_beside_it(self, client_of, plant, now, wrong, sentence):
        url = reverse("planning:add_stop", args=[plant.pk])
        answer = client_of("manager").post(url, self.data(now, **wrong))
        assert answer.status_code == 422
        assert sentence in text_of(answer)
        assert not StopWindow.objects.exists()

    def test_a_stop_shorter_than_any_visit_is_refused(self, client_of, plant, now):
        data = self.data(now)
        data["ends_at"] = data["starts_at"].replace("06:00", "06:30")
        answer = client_of("manager").post(reverse("planning:add_stop", args=[plant.pk]), data)
        assert answer.status_code == 422
        assert "every visit takes 1 h at least" in text_of(answer)

    def test_changed_over_another_change_is_a_conflict_and_removed_it_is_gone(self, client_of, plant, now, weeks):
        row = stop(plant, weeks[1])
        url = reverse("planning:stop", args=[row.pk])
        assert client_of("manager").post(url, self.data(now, version="7")).status_code == 409
        assert client_of("manager").post(url, self.data(now, version="1")).status_code == 302
        assert client_of("manager").post(url, {"remove": "1", "version": "1"}).status_code == 409
        assert client_of("manager").post(url, {"remove": "1"}).status_code == 409
        assert client_of("manager").post(url, {"remove": "1", "version": "2"}).status_code == 302
        assert not StopWindow.objects.exists()


class TestMachinePage:
    def test_reason_risk_and_what_it_rests_on(self, client_of, machine):
        client = client_of("mechanic")
        text = text_of(client.get(reverse("planning:machine", args=[machine.pk])))
        assert "due by" in text
        assert f"found again {FEWEST} times over" in text
        assert re.search(r"That any station is out by now: *(<strong>)?(under 40 %|40–60 %|over 60 %)", text)
        assert reverse("trends:said") in text
        assert "not known from the plant" in text
        figure = client.get(reverse("planning:figures", args=[machine.pk])).json()["risk"]
        assert figure["layout"]["yaxis"]["title"]["text"] == "Chance of being out, %"
        assert "Million strokes from now" in figure["layout"]["xaxis"]["title"]["text"]
        assert [trace["name"] for trace in figure["data"]][:2] == ["any station", "Domer"]
        assert len(figure["data"]) == 3

    def test_never_measured_says_what_is_missing(self, client_of, line):
        client, machine = client_of("viewer"), factories.machine(line)
        text = text_of(client.get(reverse("planning:machine", args=[machine.pk])))
        assert "No risk is known yet" in text
        assert client.get(reverse("planning:figures", args=[machine.pk])).json() == {}
