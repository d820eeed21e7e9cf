"""The plant that tests of counts begin with, and its quality lead's browser."""

import pytest

from tests import factories
from tests.production.helpers import Site


@pytest.fixture
def site():
    return Site()


@pytest.fixture
def quality(site, client):
    client.force_login(site.quality)
    return client


@pytest.fixture
def mechanic(site):
    return factories.person("mechanic", site.plant)
