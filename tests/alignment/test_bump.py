"""The bump test of a ring: recorded by who pushes, marked where the ring is used, void once the ring changes."""

import pytest
from django.urls import reverse

from linelog.alignment.models import BumpTest
from linelog.alignment.services import probes
from linelog.web.models import AuditEvent
from tests.alignment.capturing import NOW, Site, as_csv, frame

pytestmark = pytest.mark.django_db
CSV = as_csv(frame())
#: Common practice, no source: the ram pushed toward a probe comes nearer to it.
RIGHT = {"push0": ("rises", "stays", "falls", "stays"), "push90": ("stays", "rises", "stays", "falls")}
SWAPPED = {"push0": ("stays", "rises", "falls", "stays"), "push90": ("rises", "stays", "stays", "falls")}


@pytest.fixture
def site():
    return Site()


@pytest.fixture
def mechanic(site, signed_in):
    return signed_in(site.mechanic)


def at(name, key):
    return reverse(f"alignment:{name}", args=[key])


def push(mechanic, site, seen, version=1):
    rows = {f"{name}_{number}": moved for name, row in seen.items() for number, moved in enumerate(row)}
    return mechanic.post(at("probe_bump", site.setup.pk), {"version": version, **rows})


def shown(mechanic, capture):
    return mechanic.get(at("capture", capture.pk)).content.decode()


def test_a_capture_says_that_its_ring_was_not_tested_until_it_was(site, mechanic):
    capture = site.receive(CSV)
    assert "Not bump-tested as it stands" in shown(mechanic, capture)
    assert at("probe_bump", site.setup.pk) in shown(mechanic, capture)
    assert push(mechanic, site, RIGHT).status_code == 302
    page = shown(mechanic, capture)
    assert "Not bump-tested" not in page
    assert "bump-tested 20" in page
    assert AuditEvent.objects.filter(action="bump-tested probes").count() == 1


def test_two_probes_swapped_are_named_on_the_page_and_on_the_capture(site, mechanic):
    capture = site.receive(CSV)
    push(mechanic, site, SWAPPED)
    for page in (mechanic.get(at("probe_bump", site.setup.pk)).content.decode(), shown(mechanic, capture)):
        assert "p0 and p90 did not move as the set-up says" in page
        assert "p0 and p90 are swapped" in page
    assert not BumpTest.objects.get().right


def test_nothing_is_chosen_beforehand_and_everything_is_asked(site, mechanic):
    page = mechanic.get(at("probe_bump", site.setup.pk)).content.decode()
    assert "checked" not in page
    assert "Pushed toward 12, seen from the" in page
    answer = mechanic.post(at("probe_bump", site.setup.pk), {"version": "1", "push0_0": "rises"})
    assert answer.status_code == 422
    assert "What did p90 do at the push toward 12?" in answer.content.decode()
    assert not BumpTest.objects.exists()


def test_a_ring_that_was_changed_since_is_not_tested(site, mechanic):
    capture = site.receive(CSV)
    push(mechanic, site, RIGHT)
    rows = [
        {"column": one.column, "angle_deg": one.angle_deg + 90.0, "scale_um_per_unit": one.scale_um_per_unit}
        for one in site.setup.probes.all()
    ]
    facts = {"note": "turned"}
    probes.change_setup(by=site.manager, at=NOW, setup=site.setup, version=1, facts=facts, probes=rows)
    assert "Not bump-tested" not in shown(mechanic, capture), "it was worked out with the ring that was tested"
    assert "not done" in mechanic.get(at("captures", site.machine.pk)).content.decode()
    stale = push(mechanic, site, RIGHT, version=1)
    assert stale.status_code == 409
    assert "test what it says now" in stale.content.decode()


def test_who_only_looks_cannot_record_one(site, signed_in):
    assert push(signed_in(site.viewer), site, RIGHT).status_code == 403
