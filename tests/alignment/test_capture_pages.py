"""Pages of captures: sent, read, set aside, joined; set-ups of probes kept by who sets the plant up."""

import csv
import io
import math
from dataclasses import replace

import pytest
from django.urls import reverse

from linelog.alignment.captures.figures import all_figures
from linelog.alignment.models import Capture, CaptureLimit, Probe, ProbeSetup, Result
from linelog.calc.units import Unit
from linelog.web.models import AuditEvent
from linelog.web.plotly import untyped
from tests import factories
from tests.alignment.capturing import NOW, SHORT, Site, as_csv, frame

pytestmark = pytest.mark.django_db
TABLE = frame()
CSV = as_csv(TABLE)


@pytest.fixture
def site():
    return Site()


@pytest.fixture
def mechanic(site, client):
    client.force_login(site.mechanic)
    return client


@pytest.fixture
def manager(site, client):
    client.force_login(site.manager)
    return client


def at(name, *args):
    return reverse(f"alignment:{name}", args=args)


def test_sent_through_the_page_the_same_file_leads_to_the_same_capture_and_says_so(site, mechanic):
    first = site.send(mechanic, CSV, note="after warming up")
    capture = Capture.objects.get()
    assert first["Location"] == at("capture", capture.pk)
    assert (capture.note, capture.by) == ("after warming up", site.mechanic)
    again = mechanic.get(site.send(mechanic, CSV)["Location"]).content.decode()
    assert "This very file is kept already" in again
    listed = mechanic.get(at("captures", site.machine.pk)).content.decode()
    assert at("capture", capture.pk) in listed
    assert "after warming up" in listed


def test_the_page_says_offset_strokes_warnings_cautions_and_what_more_strokes_buy(site, mechanic):
    capture = site.receive(CSV)
    page = mechanic.get(at("capture", capture.pk)).content.decode()
    for words in (
        "Tool pack, running (forward):",
        "all guards closed",
        "route the cables out",
        "locked out",
        "What more strokes would buy",
        "More strokes at the same speed",
        "worth",
        "Drift up (mm a minute)",
        "slopes in mm/m",
        "Other stations get none",
        capture.sha256,
    ):
        assert words in page, words
    value = capture.values.get(phase="forward", seat="")
    assert f"from {value.strokes} strokes worth {value.n_eff:.0f}" in page


def test_the_page_reads_no_file(site, mechanic, settings):
    capture = site.receive(CSV)
    settings.MEDIA_ROOT = "/nowhere"
    assert mechanic.get(at("capture", capture.pk)).status_code == 200
    assert mechanic.get(at("capture_figures", capture.pk)).status_code == 200
    assert mechanic.get(at("capture_numbers", capture.pk)).status_code == 200
    assert mechanic.get(at("capture_file", capture.pk)).status_code == 404


def test_the_charts_hold_the_stored_figures_with_units_and_the_limit(site, mechanic):
    capture = site.receive(CSV)
    found = mechanic.get(at("capture_figures", capture.pk)).json()
    assert set(found) == {"path", "travel", "dome", "time"}, "the oil hardly warmed"
    path = found["path"]
    assert path["layout"]["xaxis"]["title"]["text"].endswith("mm")
    assert path["layout"]["yaxis"]["scaleanchor"] == "x"
    limit = path["data"][0]
    radius = [math.hypot(x, y) for x, y in zip(untyped(limit["x"]), untyped(limit["y"]), strict=True)]
    assert radius == pytest.approx([site.station.limit_um / 1000.0] * len(radius))
    forward = next(trace for trace in path["data"] if trace["name"] == "Forward")
    stored = capture.result["forward"]["path"]
    assert untyped(forward["x"]).tolist() == pytest.approx([x / 1000.0 for x in stored["x_um"]])
    inches = all_figures(capture.result, site.station.limit_um, Unit.INCH)
    assert inches["travel"]["layout"]["yaxis"]["title"]["text"].endswith("in")
    assert "ram position" in inches["travel"]["layout"]["xaxis"]["title"]["text"].lower()
    assert found["time"]["layout"]["xaxis"]["title"]["text"].startswith("Minutes")


def test_dome_formation_is_one_mark_along_the_stroke_and_has_one_scale_across_and_up_enlarged(site, mechanic):
    capture = site.receive(CSV)
    found = mechanic.get(at("capture_figures", capture.pk)).json()
    path = capture.result["dome"]["path"]
    marks = [trace for trace in found["travel"]["data"] if trace["name"] == "Dome"]
    assert [len(untyped(trace["x"])) for trace in marks] == [1, 1]
    for trace, axis in zip(marks, "xy", strict=True):
        middle = untyped(trace["y"])[0]
        ends = middle - untyped(trace["error_y"]["arrayminus"])[0], middle + untyped(trace["error_y"]["array"])[0]
        low, high = min(path[f"{axis}_low_um"]), max(path[f"{axis}_high_um"])
        assert ends == pytest.approx((low / 1000.0, high / 1000.0))
    layout = found["dome"]["layout"]
    assert layout["yaxis"]["range"] == layout["yaxis2"]["range"]
    drawn = [untyped(trace["y"]) for trace in found["dome"]["data"]]
    assert max(abs(values).max() for values in drawn) < layout["yaxis"]["range"][1]
    far_um = max(abs(value) for axis in "xy" for end in ("low", "high") for value in path[f"{axis}_{end}_um"])
    limits = [trace for trace in found["dome"]["data"] if trace["name"] == "Limit of the offset"]
    assert len(limits) == (4 if far_um > site.station.limit_um / 2.0 else 0)


def test_a_temperature_that_changed_has_its_chart(site, mechanic):
    warm = as_csv(frame(replace(SHORT, warming_per_min=20.0, split_um=(40.0, 0.0))))
    capture = site.receive(warm)
    found = mechanic.get(at("capture_figures", capture.pk)).json()
    assert "Temperature" in found["warmth"]["layout"]["xaxis"]["title"]["text"]
    assert untyped(found["warmth"]["data"][0]["x"]).tolist() == capture.result["forward"]["series"]["temperature"]
    listed = mechanic.get(at("captures", site.machine.pk)).content.decode()
    assert capture.warnings == len(capture.result["cautions"]) > 0
    assert f"Worked out, {capture.warnings} warning" in listed


def test_a_capture_without_temperature_has_no_chart_of_it_and_says_so(site, mechanic):
    site.setup.temperature_column = ""
    site.setup.save()
    capture = site.receive(CSV)
    assert "No temperature was recorded" in mechanic.get(at("capture", capture.pk)).content.decode()


def test_the_numbers_as_csv_are_the_stored_path(site, mechanic):
    capture = site.receive(CSV)
    answer = mechanic.get(at("capture_numbers", capture.pk))
    rows = list(csv.reader(io.StringIO(answer.content.decode())))
    assert rows[0][:4] == ["phase", "ram position mm", "crank angle deg", "ram across mm"]
    bins = sum(len(capture.result[key]["path"]["x_um"]) for key in ("forward", "dome", "back"))
    assert len(rows) == bins + 1
    assert float(rows[1][3]) == pytest.approx(capture.result["forward"]["path"]["x_um"][0] / 1000.0, abs=1e-4)


def test_joined_and_taken_out_through_the_page(site, mechanic):
    capture = site.receive(CSV)
    assert "open one" in mechanic.get(at("capture", capture.pk)).content.decode()
    form = {"stage": "as_left", "version": capture.version}
    answer = mechanic.post(at("capture_join", capture.pk), form)
    assert answer.status_code == 422
    assert "No visit to this machine is open" in answer.content.decode()
    visit = factories.visit(site.machine, site.mechanic, opened_at=NOW)
    assert "Join the open visit" in mechanic.get(at("capture", capture.pk)).content.decode()
    assert mechanic.post(at("capture_join", capture.pk), {**form, "stage": "sometime"}).status_code == 422
    assert mechanic.post(at("capture_join", capture.pk), {**form, "version": 9}).status_code == 409
    answer = mechanic.post(at("capture_join", capture.pk), form)
    assert answer["Location"] == at("visit", visit.pk)
    assert Result.objects.get().method == "running"
    assert mechanic.post(at("capture_leave", capture.pk), {"version": 1}).status_code == 409
    assert mechanic.post(at("capture_leave", capture.pk), {"version": 2}).status_code == 302
    assert not Result.objects.exists()


def test_set_aside_through_the_page(site, mechanic):
    capture = site.receive(CSV)
    address = at("capture_aside", capture.pk)
    answer = mechanic.post(address, {"why": "", "version": 1})
    assert answer.status_code == 422
    assert "Say why this capture is set aside." in answer.content.decode()
    assert mechanic.post(address, {"why": "Wrong machine.", "version": 4}).status_code == 409
    assert mechanic.post(address, {"why": "Wrong machine.", "version": 1}).status_code == 302
    page = mechanic.get(at("capture", capture.pk)).content.decode()
    assert "Wrong machine." in page
    assert "Join the open visit" not in page
    assert mechanic.post(at("capture_again", capture.pk)).status_code == 422


def test_lists_ask_the_database_as_often_for_one_row_as_for_twenty(site, mechanic, django_assert_max_num_queries):
    capture = site.receive(CSV)
    address = at("captures", site.machine.pk)

    def asked():
        with django_assert_max_num_queries(30) as counted:
            mechanic.get(address)
        return len(counted)

    mechanic.get(address)
    few = asked()
    for number in range(20):
        capture.pk, capture.sha256, capture._state.adding = None, f"{number}", True
        capture.save(force_insert=True)
    assert asked() == few
    assert not any("result" in str(query["sql"]) for query in _queries(mechanic, address)), (
        "curves stay where they are"
    )


def _queries(client, address):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(connection) as found:
        client.get(address)
    return [query for query in found if "alignment_capture" in query["sql"]]


# The set-up


def typed(site, angles, **more):
    data = {
        "name": "Ring B",
        "station": site.station.pk,
        "z_mm": "230",
        "view": "crank",
        "is_active": "on",
        "target_factor": "1",
        "file_unit": "V",
        "time_column": "time",
        "time_unit": "s",
        "pulse_column": "pulse",
        "pulse_at_deg": "0",
        "phase_at_rear_deg": "0",
        "probes-TOTAL_FORMS": str(len(angles)),
        "probes-INITIAL_FORMS": "0",
    }
    for number, angle in enumerate(angles):
        data |= {
            f"probes-{number}-column": f"p{number}",
            f"probes-{number}-angle_deg": str(angle),
            f"probes-{number}-scale_um_per_unit": "100",
        }
    return {**data, **more}


@pytest.mark.parametrize("angles", [(0, 90), (0, 120, 240), (0, 90, 180, 270), (10, 75, 200, 310, 333)])
def test_rings_of_two_three_four_or_any_probes_are_stored_with_their_history(site, manager, angles):
    answer = manager.post(at("probe_setup_add", site.machine.pk), typed(site, angles))
    assert answer.status_code == 302, answer.content.decode()[:3000]
    made = ProbeSetup.objects.get(name="Ring B")
    assert list(made.probes.values_list("angle_deg", flat=True)) == [float(angle) for angle in angles]
    event = AuditEvent.objects.get(object_type="probesetup")
    assert len(event.after["probes"]) == len(angles)


@pytest.mark.parametrize("angles", [(0, 180), (90, 270), (45, 225, 45), (0, 4), (90,), ()])
def test_probes_that_cannot_give_both_axes_are_refused_beside_them(site, manager, angles):
    answer = manager.post(at("probe_setup_add", site.machine.pk), typed(site, angles))
    page = answer.content.decode()
    assert answer.status_code == 422
    said = "both axes need two at least" if len(angles) < 2 else "stand on one line and cannot give both axes"
    assert said in page
    assert page.index("<h2>Probes</h2>") < page.index(said)
    assert not ProbeSetup.objects.filter(name="Ring B").exists()


WRONG = {
    "no scale": ({"probes-1-scale_um_per_unit": ""}, "How many µm is one unit of the file?"),
    "scale of zero": ({"probes-1-scale_um_per_unit": "0"}, "The scale can&#x27;t be zero."),
    "letters": ({"probes-1-angle_deg": "noon"}, "&#x27;noon&#x27; is not a number."),
    "no column": ({"probes-1-column": ""}, "In which column of the file is this probe?"),
    "range upside down": ({"probes-0-low": "5", "probes-0-high": "-5"}, "The low end must be below the high end."),
    "one column twice": ({"probes-1-column": "p0"}, "Two probes have the same column: each needs its own."),
    "a probe that is the time": ({"time_column": "p1"}, "One column of the file cannot be two things at once"),
    "z in the next hall": ({"z_mm": "99999"}, "This must be between -5000 and 5000 mm."),
    "factor of zero": ({"target_factor": "0"}, "This must be between 0.01 and 100."),
    "a name that is taken": ({"name": "Ring A"}, "This machine has a probe set-up of this name already."),
    "growth that cannot be told": (
        {"common_gap": "yes", "probes-TOTAL_FORMS": "2"},
        "cannot tell movement from growth of the diameter",
    ),
}


@pytest.mark.parametrize("fault", WRONG)
def test_a_set_up_that_cannot_be_is_refused_in_a_sentence(site, manager, fault):
    change, says = WRONG[fault]
    answer = manager.post(at("probe_setup_add", site.machine.pk), typed(site, (0, 90, 180), **change))
    assert answer.status_code == 422
    assert says in answer.content.decode()
    assert ProbeSetup.objects.count() == 1


def test_a_set_up_is_changed_under_its_version_and_old_captures_keep_theirs(site, manager):
    capture = site.receive(CSV)
    address = at("probe_setup", site.setup.pk)
    page = manager.get(address).content.decode()
    assert "Captures were made with this set-up." in page
    change = typed(site, (0, 90, 180, 270), name="Ring A", version="1", **{"probes-0-scale_um_per_unit": "250"})
    assert manager.post(address, change).status_code == 302
    site.setup.refresh_from_db()
    assert site.setup.version == 2
    assert Probe.objects.get(setup=site.setup, angle_deg=0).scale_um_per_unit == 250.0
    capture.refresh_from_db()
    assert (capture.worked_with["version"], capture.worked_with["ring"]["probes"][0]["scale_um_per_unit"]) == (1, 100)
    stale = manager.post(address, change)
    assert stale.status_code == 409
    assert "changed by somebody else meanwhile" in stale.content.decode()
    actions = list(AuditEvent.objects.filter(object_type="probesetup").values_list("action", flat=True))
    assert sorted(actions) == ["changed", "changed probes"]


def test_a_set_up_is_copied_and_removed_while_it_is_unused(site, manager):
    other = factories.machine(site.machine.line)
    page = manager.get(at("probe_setup_add", other.pk)).content.decode()
    assert f"?from={site.setup.pk}" in page
    like = manager.get(at("probe_setup_add", other.pk) + f"?from={site.setup.pk}").content.decode()
    assert 'value="p270"' in like
    assert 'value="Ring A"' in like
    site.receive(CSV)
    refused = manager.post(at("probe_setup", site.setup.pk), {"remove": "1", "version": "1"})
    assert refused.status_code == 422
    assert "take it out of use instead" in refused.content.decode()
    manager.post(at("probe_setup_add", site.machine.pk), typed(site, (0, 90)))
    unused = ProbeSetup.objects.get(name="Ring B")
    assert manager.post(at("probe_setup", unused.pk), {"remove": "1", "version": "1"}).status_code == 302
    assert not ProbeSetup.objects.filter(pk=unused.pk).exists()


def test_one_more_probe_keeps_what_was_typed(site, manager):
    data = typed(site, (0, 90), add_row="1")
    page = manager.post(at("probe_setup_add", site.machine.pk), data, headers={"hx-request": "true"})
    text = page.content.decode()
    assert page.status_code == 200
    assert 'name="probes-2-column"' in text
    assert 'value="p1"' in text


def test_limits_of_the_warnings_are_the_plants_own(site, manager):
    quiet = site.receive(CSV)
    assert not any(caution["code"] == "few strokes" for caution in quiet.result["cautions"])
    address = at("capture_limits", site.plant.pk)
    page = manager.get(address).content.decode()
    assert 'value="30"' in page
    data = {name: "0.005" if name.endswith("_um") else "5" for name in _limit_names()} | {"fewest_strokes": "900"}
    assert manager.post(address, {**data, "drift_um": "0"}).status_code == 422
    assert manager.post(address, data).status_code == 302
    assert (CaptureLimit.objects.get().fewest_strokes, CaptureLimit.objects.get().kick_um) == (900.0, 5.0)
    told = site.receive(as_csv(TABLE.head(5000)))
    assert any(caution["code"] == "few strokes" for caution in told.result["cautions"])
    assert manager.post(address, data).status_code == 409, "version 1 has been replaced"


def _limit_names():
    return [f.name for f in CaptureLimit._meta.concrete_fields if f.name not in {"id", "plant", "version"}]
