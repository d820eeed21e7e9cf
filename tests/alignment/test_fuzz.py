"""Whatever is sent to the log, it answers with a page and a sentence, never with a fault of its own."""

import pytest
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from linelog.alignment.models import Reading, Visit
from tests import factories
from tests.alignment.helpers import HTMX, address

RUNS = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])

nasty = st.one_of(
    st.text(max_size=30),
    st.sampled_from(
        [
            "",
            "NaN",
            "-inf",
            "1e308",
            "-1e308",
            "0",
            "-0",
            "1e-320",
            "9" * 24,
            "0x10",
            "１２",
            "½",
            "1_000",
            "\x00",
            "0,05",
        ]
    ),
    st.floats().map(str),
    st.integers().map(str),
)
NAMES = {
    "reading": ["repeat", "angle_deg", "is_return", "value", "version", "meant", "unit"],
    "sweep": [
        "positions", "touches", "view", "facing", "plunger_reversed", "indicator", "resolution", "sag", "sag_is",
        "sag_uncertainty", "face_radius", "ram_position", "version",
    ],
    "move": ["adjuster", "travel", "turns", "flats", "way", "words", "unit"],
    "note": ["note", "version"],
    "running": ["stage", "x", "y", "expanded", "strokes", "unit", "version", "seen_as_found"],
    "untouched": ["not_touched"],
    "accept": ["seen"],
    "advised": ["seen"],
}  # fmt: skip
VALID = {
    "reading": {"repeat": "1", "angle_deg": "0", "value": "0.05", "version": "0"},
    "sweep": {
        "positions": "8", "facing": "domer", "touches": "ram-bore", "view": "crank", "resolution": "0.01", "sag": "0",
        "sag_is": "indicated", "sag_uncertainty": "0", "face_radius": "20",
    },
    "running": {"stage": "as_found", "x": "0.01", "y": "0.01", "expanded": "0.005", "strokes": "50"},
}  # fmt: skip


def sent(name):
    """A form of which any part may be replaced by something nasty."""
    wrong = st.dictionaries(st.sampled_from([*NAMES[name], "more"]), nasty, max_size=4)
    return wrong.map(lambda changes: {**VALID.get(name, {}), **changes})


class TestWhatIsSent(TestCase):
    """One plant; every example runs in a transaction of its own."""

    def setup_example(self):
        super().setup_example()
        self.machine = factories.machine()
        self.person = factories.person("manager", self.machine.line.plant)
        self.visit = factories.visit(self.machine, self.person, opened_at=timezone.now())
        self.stations = list(self.machine.stations.all())
        self.client.force_login(self.person)

    @RUNS
    @given(data=st.data())
    def test_to_a_station(self, data):
        station = data.draw(st.sampled_from(self.stations))
        name = data.draw(st.sampled_from(sorted(NAMES)))
        place = data.draw(
            st.fixed_dictionaries({}, optional=dict.fromkeys(("stage", "seat", "kind", "repeat"), nasty)).filter(
                lambda place: all("\x00" not in v for v in place.values())
            )
        )
        response = self.client.post(
            address(name, self.visit, station) + "?",
            data.draw(sent(name)),
            query_params=place,
            headers=HTMX if data.draw(st.booleans()) else {},
        )
        assert response.status_code in {200, 302, 409, 422}, response.status_code

    @RUNS
    @given(
        form=st.dictionaries(
            st.sampled_from(
                [
                    "reason",
                    "reason_note",
                    "machine_state",
                    "minutes_in_state",
                    "speed_spm",
                    "oil_c",
                    "room_c",
                    "lockout_verified_by",
                    "lockout_verified_at",
                ]
            ),
            nasty,
        )
    )
    def test_to_open_a_visit(self, form):
        other = factories.machine(self.machine.line)
        response = self.client.post(reverse("alignment:open", args=[other.pk]), {"reason": "routine", **form})
        assert response.status_code in {302, 422}

    @RUNS
    @given(numbers=st.lists(st.floats(-1.4, 1.4), min_size=4, max_size=4))
    def test_any_four_honest_readings_give_a_page(self, numbers):
        station = self.machine.stations.get(kind="domer")
        Reading.objects.all().delete()
        for angle, number in zip((0, 90, 180, 270), numbers, strict=True):
            form = {"repeat": 1, "angle_deg": angle, "value": f"{number:.4f}", "meant": f"{number:.4f}", "version": 0}
            response = self.client.post(address("reading", self.visit, station), form, headers=HTMX)
            assert response.status_code == 200, response.content.decode()[:800]
        assert self.client.get(address("visit", self.visit)).status_code == 200


@pytest.mark.django_db
def test_a_visit_list_of_nonsense_is_the_whole_list(signed_in):
    visit = factories.visit()
    client = signed_in(visit.opened_by)
    for query in ("?machine=abc", "?state=gone", "?page=-3", "?page=zzz", f"?machine={'9' * 40}"):
        assert client.get(reverse("alignment:visits") + query).status_code == 200
    assert Visit.objects.count() == 1
