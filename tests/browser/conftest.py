"""A real Chromium against the program itself. Any console error or refused policy fails the test."""

from __future__ import annotations

import importlib
import os
from pathlib import Path

import pytest
from django.conf import settings
from playwright.sync_api import BrowserContext, Page

from tests import factories
from tests.browser.chromium import CHROMIUM, FLAGS

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test of this folder; without a browser leave them out by name, except on CI."""
    for item in items:
        if HERE not in item.path.parents:
            continue
        item.add_marker(pytest.mark.browser)
        if not Path(CHROMIUM).exists() and os.environ.get("CI") != "true":
            item.add_marker(pytest.mark.skip(reason="no Chromium here (Debian: apt-get install chromium)"))


@pytest.fixture(scope="session", autouse=True)
def _database_from_the_browser_thread():
    """Playwright runs an event loop in the test's thread; the database is used from there all the same."""
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    yield
    del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture(scope="session", autouse=True)
def _everything_is_imported():
    """The first page would import all views, which on a busy machine takes longer than a browser waits."""
    importlib.import_module(settings.ROOT_URLCONF)


@pytest.fixture(scope="session")
def browser_type_launch_args():
    return {"executable_path": CHROMIUM, "args": list(FLAGS), "headless": True}


@pytest.fixture(scope="session")
def browser_context_args():
    return {"viewport": {"width": 1280, "height": 800}, "has_touch": True, "locale": "en-GB"}


@pytest.fixture
def expected_trouble():
    """Texts a test expects on the console (a refused reading is HTTP 422, which Chromium reports)."""
    return []


@pytest.fixture(autouse=True)
def _no_trouble(context: BrowserContext, expected_trouble):
    trouble: list[str] = []

    def watch(page: Page) -> None:
        page.on("console", lambda said: trouble.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: trouble.append(str(error)))

    context.on("page", watch)
    yield
    unexpected = [text for text in trouble if not any(known in text for known in expected_trouble)]
    assert unexpected == []


@pytest.fixture
def at(page: Page, live_server):
    """A function that opens an address of the program."""

    def go(path: str) -> Page:
        page.goto(f"{live_server.url}{path}")
        return page

    return go


@pytest.fixture
def sign_in(page: Page, live_server):
    """A function that signs a person in through the page."""

    def enter(person) -> Page:
        page.goto(f"{live_server.url}/sign-in/")
        page.locator("input[name=username]").fill(person.username)
        page.locator("input[name=password]").fill(factories.PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_load_state()
        return page

    return enter
