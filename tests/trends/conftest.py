"""The tests of the trends invent what was signed long ago, and change it to what each is about."""

import pytest

from linelog.web import protection
from tests import factories


@pytest.fixture(autouse=True)
def _what_is_signed_can_be_invented(request):
    """Take the protection out within the test's own transaction, which is rolled back after it."""
    if request.node.get_closest_marker("django_db") or "db" in request.fixturenames:
        request.getfixturevalue("db")
        protection.take_out()


@pytest.fixture
def manager(db):
    return factories.person("manager")


@pytest.fixture
def machine(manager):
    return factories.machine(factories.line(manager.plant), name="BM 1")
