"""Whatever is sent to the pages of captures, they answer with a page and a sentence."""

from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from linelog.alignment.models import Capture
from tests.alignment.capturing import NOW, Site, as_csv, frame
from tests.alignment.test_capture_pages import typed
from tests.alignment.test_fuzz import nasty

RUNS = settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
CSV = as_csv(frame())
FINE = {200, 302, 409, 422}


class TestWhatIsSent(TestCase):
    """One plant; every example runs in a transaction of its own."""

    def setup_example(self):
        super().setup_example()
        self.site = Site()
        self.client.force_login(self.site.manager)

    def post(self, name, key, data):
        answer = self.client.post(reverse(f"alignment:{name}", args=[key]), data)
        assert answer.status_code in FINE, (name, data, answer.status_code)

    @RUNS
    @given(
        content=st.one_of(
            st.binary(max_size=300),
            st.integers(0, len(CSV)).map(lambda cut: CSV[:cut]),
            st.tuples(st.integers(0, len(CSV) - 40), st.binary(min_size=1, max_size=30)).map(
                lambda hit: CSV[: hit[0]] + hit[1] + CSV[hit[0] + len(hit[1]) :]
            ),
        ),
        name=st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), max_size=20),
        more=st.dictionaries(st.sampled_from(["setup", "recorded_at", "note"]), nasty, max_size=2),
    )
    def test_as_a_capture(self, content, name, more):
        data = {"setup": self.site.setup.pk, "recorded_at": "2026-06-15T11:00", **more}
        data["file"] = SimpleUploadedFile(name or "x", content)
        self.post("capture_send", self.site.machine.pk, data)
        for capture in Capture.objects.all():
            assert (capture.result is not None) == (capture.state == "done")
            assert capture.sentence.count("\n") == 0
            assert self.client.get(reverse("alignment:capture", args=[capture.pk])).status_code == 200

    @RUNS
    @given(data=st.data())
    def test_as_a_set_up(self, data):
        good = typed(self.site, (0, 90, 180))
        wrong = data.draw(st.dictionaries(st.sampled_from(sorted(good)), nasty, max_size=4))
        self.post("probe_setup_add", self.site.machine.pk, {**good, **wrong})
        self.post("probe_setup", self.site.setup.pk, {**good, "version": "1", **wrong})
        self.post("capture_limits", self.site.plant.pk, wrong)

    @RUNS
    @given(form=st.dictionaries(st.sampled_from(["stage", "version", "why", "more"]), nasty))
    def test_to_a_capture(self, form):
        capture = self.site.receive(CSV, recorded_at=NOW)
        for name in ("capture_join", "capture_leave", "capture_aside", "capture_again", "capture_cancel"):
            self.post(name, capture.pk, form)
