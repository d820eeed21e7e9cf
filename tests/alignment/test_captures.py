"""A running capture from the file to a running offset in a visit: kept, worked out whole or not at all, joined."""

import datetime as dt
import hashlib
from pathlib import Path

import numpy as np
import pytest
from django.urls import reverse

from linelog.alignment.models import Capture, CaptureValue, Result
from linelog.alignment.services import captures as services
from linelog.alignment.services import joining, moves, visits
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.alignment.capturing import NOW, SHORT, Site, as_csv, as_parquet, frame
from tests.calc.capture.known import truth

pytestmark = pytest.mark.django_db
TABLE = frame()
CSV = as_csv(TABLE)


@pytest.fixture
def site():
    return Site()


def test_a_file_is_kept_under_its_digest_and_worked_out(site):
    capture = site.receive(CSV)
    digest = hashlib.sha256(CSV).hexdigest()
    assert (capture.state, capture.sha256, capture.size) == ("done", digest, len(CSV))
    assert capture.file.name == f"captures/{digest[:2]}/{digest}"
    assert Path(capture.file.path).read_bytes() == CSV
    event = AuditEvent.objects.get(action="sent capture")
    assert event.object_id == str(capture.pk)
    assert "result" not in event.after


@pytest.mark.parametrize(("make", "name"), [(as_csv, "run.csv"), (as_parquet, "run.parquet")])
def test_the_offset_is_that_of_the_component_from_the_known_path(site, make, name):
    """The ram's known place, the other way round, within the stated uncertainty; from both kinds of file."""
    capture = site.receive(make(TABLE), name)
    known = truth(SHORT)
    for phase, key in (("forward", "forward"), ("dome", "dome"), ("return", "back")):
        value = capture.values.get(phase=phase, seat="")
        assert value.x_um == pytest.approx(-known[key][0], abs=3.0 * value.u_x_um + 0.05)
        assert value.y_um == pytest.approx(-known[key][1], abs=3.0 * value.u_y_um + 0.05)
        assert value.away_mm == 0.0
        assert value.strokes == capture.result["strokes"]["used"]
    assert capture.values.get(phase="forward", seat="").slope_x_mm_per_m == pytest.approx(
        known["forward slope"][0], abs=0.01
    )


def test_seats_away_from_the_ring_are_carried_along_the_slope_and_known_less_well(site):
    capture = site.receive(CSV)
    middle, front, rear = (capture.values.get(phase="forward", seat=seat) for seat in ("", "front", "rear"))
    assert (front.away_mm, rear.away_mm) == (90.0, -90.0)
    assert front.x_um - middle.x_um == pytest.approx(-90.0 * middle.slope_x_mm_per_m)
    assert min(front.expanded_um, rear.expanded_um) > middle.expanded_um
    assert set(capture.values.values_list("station", flat=True)) == {site.station.pk}


def test_the_same_file_again_is_the_same_capture_until_it_is_set_aside(site):
    first = site.receive(CSV)
    assert site.receive(CSV, "other-name.csv").pk == first.pk
    services.set_aside(by=site.mechanic, at=NOW, capture=first, why="Probe was loose.", version=first.version)
    again = site.receive(CSV)
    assert again.pk != first.pk
    assert again.file.name == first.file.name
    assert Capture.objects.count() == 2


def test_a_capture_joins_an_open_visit_and_shows_as_running(site, signed_in):
    capture = site.receive(CSV)
    visit = factories.visit(site.machine, site.mechanic, opened_at=NOW)
    result = joining.join_visit(
        by=site.mechanic, at=NOW, capture=capture, visit=visit, stage="as_left", version=capture.version
    )
    forward = capture.values.get(phase="forward", seat="")
    stored = Result.objects.get()
    assert stored == result
    assert (stored.method, stored.seat, stored.station_id) == ("running", "", site.station.pk)
    assert (stored.x_um, stored.y_um, stored.expanded_um) == (forward.x_um, forward.y_um, forward.expanded_um)
    assert stored.readings == forward.strokes
    assert stored.algorithm == f"capture {capture.algorithm}"
    page = signed_in(site.mechanic).get(reverse("alignment:visit", args=[visit.pk])).content.decode()
    assert "Tool pack, running" in page
    assert reverse("alignment:capture", args=[capture.pk]) in page


def test_the_ring_of_a_domer_gives_its_offset_at_the_dome(site):
    site.setup.station = site.machine.stations.get(kind="domer")
    site.setup.z_mm = 650.0
    site.setup.save()
    capture = site.receive(CSV)
    assert joining.chosen(capture.values.select_related("station")).phase == "dome"


def test_what_does_not_join(site):
    capture = site.receive(CSV)
    mine = factories.visit(site.machine, site.mechanic, opened_at=NOW)
    other = factories.visit(factories.machine(site.machine.line), site.mechanic, opened_at=NOW)

    def join(visit, stage="as_left", by=site.mechanic, version=None):
        capture.refresh_from_db()
        joining.join_visit(
            by=by, at=NOW, capture=capture, visit=visit, stage=stage, version=version or capture.version
        )

    with pytest.raises(Refused, match="of another machine"):
        join(other)
    with pytest.raises(NotAllowed):
        join(mine, by=site.viewer)
    with pytest.raises(Conflict):
        join(mine, version=77)
    typed = moves.RunningValue(1.0, 2.0, 3.0, 60, "mm")
    mine_here = {"by": site.mechanic, "visit": mine, "station": site.station, "value": typed, "version": 0, "at": NOW}
    moves.log_running_value(**mine_here, stage="as_found")
    with pytest.raises(Refused, match="has a running offset of Tool pack there already"):
        join(mine, "as_found")
    join(mine)
    with pytest.raises(Refused, match="part of a visit already"):
        join(mine)
    with pytest.raises(Refused, match="comes from a capture"):
        moves.log_running_value(**mine_here, stage="as_left")
    assert Result.objects.get(stage="as_left").x_um == capture.values.get(phase="forward", seat="").x_um


def joined(site):
    capture = site.receive(CSV)
    visit = factories.visit(site.machine, site.mechanic, opened_at=NOW)
    joining.join_visit(
        by=site.mechanic, at=NOW, capture=capture, visit=visit, stage="as_left", version=capture.version
    )
    capture.refresh_from_db()
    return capture, visit


def test_it_leaves_an_open_visit_with_the_offset_it_gave(site):
    capture, _ = joined(site)
    with pytest.raises(Refused, match="take it out of the visit first"):
        services.set_aside(by=site.mechanic, at=NOW, capture=capture, why="wrong", version=capture.version)
    with pytest.raises(Refused, match="take it out of the visit first"):
        services.work_again(by=site.mechanic, at=NOW, capture=capture)
    left = joining.leave_visit(by=site.mechanic, at=NOW, capture=capture, version=capture.version)
    assert left.visit is None
    assert not Result.objects.exists()
    actions = set(AuditEvent.objects.filter(object_type="capture").values_list("action", flat=True))
    assert actions == {"sent capture", "joined capture to visit", "took capture out of visit"}


def test_a_signed_visit_keeps_its_capture_and_takes_no_other(site):
    capture, visit = joined(site)
    visits.sign_visit(by=site.mechanic, visit=visit, at=NOW)
    capture = Capture.objects.get()
    for act in (
        lambda: joining.leave_visit(by=site.mechanic, at=NOW, capture=capture, version=capture.version),
        lambda: services.work_again(by=site.mechanic, at=NOW, capture=capture),
        lambda: services.set_aside(by=site.mechanic, at=NOW, capture=capture, why="x", version=capture.version),
    ):
        with pytest.raises(Refused, match="signed"):
            act()
    other = site.receive(as_csv(TABLE.head(20_000)))
    with pytest.raises(Refused, match="signed"):
        joining.join_visit(
            by=site.mechanic, at=NOW, capture=other, visit=visit, stage="as_found", version=other.version
        )
    assert Capture.objects.get(pk=capture.pk).visit_id == visit.pk


def test_setting_aside_needs_a_reason_and_keeps_everything(site):
    capture = site.receive(CSV)
    with pytest.raises(Refused, match="Say why"):
        services.set_aside(by=site.mechanic, at=NOW, capture=capture, why="  ", version=capture.version)
    services.set_aside(by=site.mechanic, at=NOW, capture=capture, why="Ring was loose.", version=capture.version)
    capture.refresh_from_db()
    assert (capture.set_aside_why, capture.state) == ("Ring was loose.", "done")
    assert capture.values.exists()
    assert Path(capture.file.path).is_file()
    visit = factories.visit(site.machine, site.mechanic, opened_at=NOW)
    with pytest.raises(Refused, match="not set aside"):
        joining.join_visit(
            by=site.mechanic, at=NOW, capture=capture, visit=visit, stage="as_left", version=capture.version
        )


def test_worked_out_again_with_a_corrected_set_up_gives_other_figures_and_a_history(site):
    first = site.receive(CSV)
    before = first.values.get(phase="forward", seat="").x_um
    site.setup.probes.update(scale_um_per_unit=200.0)
    again = services.work_again(by=site.mechanic, at=NOW, capture=first)
    assert again.values.get(phase="forward", seat="").x_um == pytest.approx(2.0 * before, rel=0.01)
    assert CaptureValue.objects.filter(capture=again).count() == 9
    assert AuditEvent.objects.filter(action="works capture out again").count() == 1


def test_who_may_only_look_sends_and_changes_nothing(site):
    capture = site.receive(CSV)
    for act in (
        lambda: site.receive(CSV, by=site.viewer),
        lambda: services.work_again(by=site.viewer, at=NOW, capture=capture),
        lambda: services.cancel(by=site.viewer, at=NOW, capture=capture),
        lambda: services.set_aside(by=site.viewer, at=NOW, capture=capture, why="x", version=1),
    ):
        with pytest.raises(NotAllowed):
            act()


def test_a_machine_without_stroke_or_rod_says_what_is_missing(site, signed_in):
    site.machine.rod_length_mm = None
    site.machine.save()
    with pytest.raises(Refused, match="stroke and the rod length of BM"):
        site.receive(CSV)
    address = reverse("alignment:captures", args=[site.machine.pk])
    page = signed_in(site.manager).get(address).content.decode()
    assert "stroke and the rod length of this machine are not in its set-up" in page
    assert reverse("plant:machine_edit", args=[site.machine.pk]) in page
    assert 'type="file"' not in page


def test_a_capture_of_the_future_or_with_another_machines_set_up_is_refused(site):
    with pytest.raises(Refused) as told:
        site.receive(CSV, recorded_at=NOW + dt.timedelta(hours=1))
    assert told.value.field == "recorded_at"
    other = Site()
    with pytest.raises(Refused) as told:
        site.receive(CSV, setup=other.setup)
    assert told.value.field == "setup"


def test_stored_curves_are_thin_and_whole_json(site):
    capture = site.receive(CSV)
    assert capture.result["forward"]["path"]["position_mm"][0] > 0.0
    assert len(capture.result["forward"]["series"]["x_um"]) <= 400
    flat = str(capture.result)
    assert len(flat) < 200_000
    assert "nan" not in flat.lower()
    assert np.isfinite(capture.result["more_strokes"]["now"]["half_width_um"])
