"""The demonstration's captures: files kept, worked out by the program's own sums, joined to signed visits."""

import io
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import call_command

from linelog.alignment.captures.warm_up import series_of, tell
from linelog.alignment.models import Capture, Result, RunningReading
from linelog.demo import load, scenario
from linelog.plant.models import Person
from linelog.web.models import Job
from tests.demo.test_load import NOW

pytestmark = pytest.mark.django_db
SMALL = scenario.read().only(["BM 12", "BM 27"], days=200)


def test_captures_of_the_demonstration_are_whole_joined_and_one_is_warned_of():
    stored = load.load(SMALL, at=NOW)
    joined = list(Capture.objects.filter(machine__name="BM 12").order_by("recorded_at"))
    assert (stored["captures"], len(joined)) == (4, 3)
    assert [bool(capture.warnings) for capture in joined] == [False, True, False]
    for capture in joined:
        assert capture.visit.state == "signed"
        result = Result.objects.get(visit=capture.visit, method="running")
        assert result.algorithm == f"capture {capture.algorithm}"
        assert result.x_um == capture.values.get(phase="forward", seat="").x_um
        assert not RunningReading.objects.filter(visit=capture.visit).exists()
        assert Path(capture.file.path).stat().st_size == capture.size
    waiting = Capture.objects.get(machine__name="BM 27")
    assert (waiting.state, waiting.visit) == ("done", None)
    assert not Job.objects.filter(kind="work out capture").exists()


def test_a_warm_up_of_the_demonstration_tends_to_what_the_scenario_says():
    small = scenario.read().only(["BM 13"], days=60)
    load.load(small, at=NOW)
    plan = small.machines[0].warm_up
    machine = Capture.objects.first().machine
    [series] = series_of(machine, Person.objects.get(username="manager"))
    assert len(series.captures) == len(plan.minutes)
    [up] = [one for one in tell(series).trends if (one.phase, one.axis) == ("forward", 1)]
    curve = up.found.curve
    assert curve.steady_low_um <= plan.steady_um[1] <= curve.steady_high_um
    assert curve.tau_low_min <= plan.tau_min <= curve.tau_high_min


def test_the_sample_files_are_what_the_command_writes_and_are_small(tmp_path):
    call_command("sample_captures", "--to", str(tmp_path), stdout=io.StringIO())
    written = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    fixtures = Path(settings.BASE_DIR) / "fixtures"
    assert set(written) == {"capture-steady.csv", "capture-warming.csv"}
    for name, content in written.items():
        assert (fixtures / name).read_bytes() == content
        assert len(content) < 600_000
