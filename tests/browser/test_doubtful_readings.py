"""Readings that do not close, with and without the server: no verdict is shown while they are to be read again."""

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from tests import factories

READINGS = {"0": "0.01", "90": "0.06", "180": "0.01", "270": "0.01"}  # close by 0.05


@pytest.fixture
def job(transactional_db):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    return mechanic, visit, machine.stations.get(kind="domer")


def test_no_verdict_while_it_is_to_be_read_again(job, sign_in, at):
    mechanic, visit, domer = job
    sign_in(mechanic)
    page = at(f"/visits/{visit.pk}/stations/{domer.pk}/")
    for angle, text in READINGS.items():
        page.locator(f"#in-slot-1-{angle}-0").fill(text)
        page.locator(f"#in-slot-1-{angle}-0").press("Enter")
        expect(page.locator(f"#slot-1-{angle}-0 .tick")).to_be_visible()
    expect(page.locator("#result h2").first).to_have_text("verdict withheld")
    expect(page.locator("#result .state.in")).to_have_count(0)
    page.evaluate("linelog.provisional(true)")  # what the tablet says by itself
    expect(page.locator("#result .on-tablet")).to_contain_text("Read it again, no verdict: the readings do not close")
