"""A mechanic with an open visit, whose tablet has kept the entry screen of the domer."""

from __future__ import annotations

import pytest
from django.test import Client
from playwright.sync_api import Page

from tests import factories
from tests.browser.offline.tablet import go_to, open_one, wait_until, wait_until_kept


@pytest.fixture
def expected_trouble():
    return ["ERR_INTERNET_DISCONNECTED", "ERR_FAILED", *(f"status of {n}" for n in (403, 409, 422, 500))]


@pytest.fixture
def machine(transactional_db):
    return factories.machine(factories.line(factories.plant(name="Test works")), mark="17")


@pytest.fixture
def mechanic(machine):
    return factories.person("mechanic", machine.line.plant, first_name="Ana", last_name="Berg")


@pytest.fixture
def visit(machine, mechanic):
    return factories.visit(machine, mechanic)


@pytest.fixture
def domer(visit, machine) -> str:
    return f"/visits/{visit.pk}/stations/{machine.stations.get(kind='domer').pk}/"


@pytest.fixture
def enter(context, live_server):
    """A function that signs a person in, without the page that asks for the password."""

    def carry(person) -> None:
        client = Client()
        client.force_login(person)
        cookies = [
            {"name": name, "value": morsel.value, "url": live_server.url} for name, morsel in client.cookies.items()
        ]
        context.add_cookies(cookies)

    return carry


@pytest.fixture
def entry(page: Page, enter, mechanic, visit, domer, live_server) -> Page:
    """The entry screen of a person whose tablet has kept it."""
    enter(mechanic)
    page.goto(live_server.url + domer)
    wait_until_kept(page, domer)
    return page


@pytest.fixture
def at_machines(page: Page, enter, mechanic, machine, live_server) -> Page:
    """A mechanic's tablet that was on the list of machines while there was a network."""
    enter(mechanic)
    page.goto(f"{live_server.url}/")
    wait_until(page, "the page is kept", "async ([url]) => Boolean(await caches.match(url))", "/visits/new/")
    return page


@pytest.fixture
def begin(at_machines, context, machine, live_server):
    """A function that cuts the network off, opens a visit to the machine and goes to one of its stations."""

    def go(station: str, **how: bool) -> Page:
        context.set_offline(True)
        open_one(at_machines, machine, live_server, **how)
        go_to(at_machines, station)
        return at_machines

    return go
