"""Every page opens to an administrator, whose rights leave nothing out: on each database engine, with something of
everything stored.
"""

import pytest
from django.urls import reverse

from tests.test_access import EXPECTED, OURS, Visitor
from tests.world import World

pytestmark = pytest.mark.django_db
STATUSES = {200, 204, 302, 400, 405, 409, 422, 503}  # a page that takes POST alone, or asks for more, says so


def test_every_page_opens():
    world = World()
    visitor, broken, opened = Visitor("administrator", world), [], 0
    for name in sorted(EXPECTED.keys() & OURS):
        row = EXPECTED[name]
        if visitor.role in row.who:
            status, _ = visitor.ask("get", reverse(name, kwargs=row.parts(world) if row.parts else None))
            opened += status == 200
            broken += [] if status in STATUSES else [f"{name}: {status}"]
    assert not broken
    assert opened > 100
