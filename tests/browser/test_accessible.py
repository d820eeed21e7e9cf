"""Every page against the rules of axe-core that carry the tags of WCAG 2.0, 2.1 and 2.2, levels A and AA.

The pages come from the table of addresses in tests/test_access.py, so a new page is looked at as soon as it stands
there; the states that an address alone does not show (refused forms, a typed sweep, what htmx swaps in) are made
here.
The dark scheme differs from the light one by its colours alone, so there only the rules of colour run again, and of
the manager's many pages once a template.
The administrator's raw tables under /admin/ are Django's own pages and are not looked at.
"""

import json
import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, expect

from linelog.alignment.models import Amendment
from tests import factories
from tests.alignment.helpers import OUT_HIGH, address, type_round
from tests.test_access import EXPECTED
from tests.trends import invented
from tests.world import World

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
ALL_RULES = {
    "runOnly": {"type": "tag", "values": TAGS},
    "rules": {"target-size": {"enabled": True}},
    "resultTypes": ["violations"],
}
COLOURS = {
    "runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]},
    "resultTypes": ["violations"],
}
SCHEMES = ("light", "dark")
UNFOLD = "document.querySelectorAll('main details').forEach(one => { one.open = true })"
AXE = Axe()


@pytest.fixture
def expected_trouble():
    return ["the server responded with a status of"]  # refused forms and error pages, which Chromium reports


class Look:
    """Looks at what a page shows, in light and in dark, and keeps what it finds to tell it all at once."""

    def __init__(self, page: Page, base: str) -> None:
        self.page, self.base, self.found, self.seen = page, base, [], 0

    def be(self, person) -> None:
        """Sign in as somebody without the page, which has its own test."""
        client = Client()
        client.force_login(person)
        self.carry(client)

    def carry(self, client: Client) -> None:
        value = client.cookies[settings.SESSION_COOKIE_NAME].value
        self.page.context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": value, "url": self.base}])

    def at(self, path: str, status: int = 200, schemes: tuple[str, ...] = SCHEMES) -> None:
        answer = self.page.goto(f"{self.base}{path}", wait_until="load")
        assert answer.status == status, (path, answer.status)
        self.now(path, schemes)

    def now(self, what: str, schemes: tuple[str, ...] = SCHEMES) -> None:
        self.seen += 1
        for scheme in schemes:
            self.page.emulate_media(color_scheme=scheme)
            if scheme == "light":
                said = AXE.run(self.page, options=ALL_RULES).response
            else:
                said = self.page.evaluate(f"axe.run({json.dumps(COLOURS)})")
            for finding in said["violations"]:
                for node in finding["nodes"]:
                    why = " ".join((node["failureSummary"] or "").split())
                    self.found.append(f"{what} ({scheme}): {finding['id']} at {node['target']}: {why[:300]}")

    def tell(self) -> None:
        print(f"{self.seen} pages looked at, {len(self.found)} findings")
        assert not self.found, "\n" + "\n".join(self.found)


@pytest.fixture
def look(page, live_server):
    looking = Look(page, live_server.url)
    yield looking
    looking.tell()


@pytest.fixture
def world(transactional_db):
    """One plant with one of everything, eight signed visits and a year of counts, so that every chart has marks."""
    made = World()
    by = made.person("manager")
    invented.history(made.machine, by, 8, until=timezone.now(), every=30)
    invented.counts(made.machine, 120, until=factories.counted_today())
    visit = made.machine.visits.filter(state="signed").first()
    said = {"reason": "The dial was loose.", "set_aside": True, "stage": "as_found", "seat": "front"}
    Amendment.objects.create(visit=visit, station=made.station, by=by, at=factories.NOW, **said)
    return made


def signed(world):
    return world.machine.visits.filter(state="signed").order_by("opened_at").first()


def pages_of(role: str, world: World):
    """Every address that this role may open and that answers with a page."""
    client = Client()
    client.force_login(world.person(role))
    for name, row in sorted(EXPECTED.items()):
        if role not in row.who:
            continue
        path = reverse(name, kwargs=row.parts(world) if row.parts else None)
        answer = client.get(path)
        content = b"".join(answer) if answer.streaming else answer.content
        answer.close()
        if answer.status_code == 200 and content.lstrip().startswith(b"<!doctype html>"):
            yield path, answer.templates[0].name


def test_the_looking_itself_sees_what_is_wrong(page, live_server):
    looking = Look(page, live_server.url)
    page.goto(f"{live_server.url}/sign-in/")
    page.evaluate("""() => {
        document.querySelector('label[for=id_username]').remove();
        const spoilt = new CSSStyleSheet(); // in force with the scheme itself, where a listener would come after it
        spoilt.replaceSync(`h1 { color: #eee !important }
            @media (prefers-color-scheme: dark) { h1 { color: #222 !important } }`);
        document.adoptedStyleSheets = [...document.adoptedStyleSheets, spoilt];
    }""")
    looking.now("a page spoilt on purpose")
    text = "\n".join(looking.found)
    for seen in ("(light): label", "(light): color-contrast", "(dark): color-contrast"):
        assert seen in text
    with pytest.raises(AssertionError):
        looking.tell()


def test_every_page_that_a_manager_opens(world, look):
    pages, in_dark = list(pages_of("manager", world)), set()
    assert len(pages) > 45
    look.be(world.person("manager"))
    for path, template in pages:
        look.at(path, schemes=("light",) if template in in_dark else SCHEMES)
        in_dark.add(template)


@pytest.mark.parametrize("role", ["mechanic", "quality", "viewer", "administrator"])
def test_what_the_other_roles_see_differently(world, look, role):
    look.be(world.person(role))
    paths = {
        "mechanic": ["/", address("visit", world.visit), address("visit", signed(world))],
        "quality": ["/", "/counts/", f"/machines/{world.machine.pk}/"],
        "viewer": ["/", "/counts/", address("visit", world.visit), address("station", world.visit, world.station)],
        "administrator": ["/", reverse("plant:setup"), reverse("plant:add_plant"), reverse("people:add")],
    }
    for path in paths[role]:
        look.at(path)


def test_an_entry_screen_in_every_state(world, look):
    mechanic, visit, domer = world.person("mechanic"), world.visit, world.station
    client = Client()
    client.force_login(mechanic)
    look.carry(client)
    page = look.page
    unlocked = factories.visit(factories.machine(world.line), mechanic, locked_out=False)
    look.at(address("visit", unlocked))
    look.at(address("station", unlocked, unlocked.machine.stations.get(kind="domer")))
    type_round(client, visit, domer, OUT_HIGH, stage="as_found")
    look.at(address("station", visit, domer))
    look.at(address("visit", visit))
    page.get_by_role("link", name="Sign and close").click()
    expect(page.get_by_role("heading", name="First")).to_be_visible()
    look.now("a visit that cannot be signed yet")
    type_round(client, visit, domer, {"0": "0", "90": "0.3", "180": "0.1", "270": "0.9"}, stage="as_left")
    look.at(address("station", visit, domer, stage="as_left"))
    expect(page.locator("#result .note.caution").first).to_be_visible()
    page.evaluate(UNFOLD)
    look.now("an entry screen with everything unfolded and a warning")
    page.evaluate("document.querySelectorAll('main form').forEach(form => { form.noValidate = true })")
    page.get_by_role("button", name="Save the running value").click()
    expect(page.locator("#running .wrong").first).to_be_visible()
    look.now("a refused running value")
    page.get_by_role("button", name=re.compile("Not touched")).first.click()
    page.wait_for_load_state("networkidle")
    look.now("said not to be touched")
    page.goto(f"{look.base}{address('station', visit, domer)}")
    page.locator(".pos.at90 input[name=value]").fill("nonsense")
    page.locator(".pos.at90 input[name=value]").press("Enter")
    expect(page.locator("#said-slot-1-90-0 .wrong")).to_be_visible()
    look.now("a refused reading")


def test_forms_that_are_refused_and_what_htmx_swaps_in(world, look):
    look.be(world.person("manager"))
    page = look.page
    for path, button in (
        (reverse("people:add"), "main button"),
        (reverse("plant:add_machine", args=[world.plant.pk]), "main form button"),
        (reverse("alignment:open", args=[world.machine.pk]), "main form button"),
        (reverse("alignment:amend", args=[signed(world).pk]), "main form button"),
        (reverse("production:enter"), "main form button"),
        (reverse("production:uploads"), "main form button"),
    ):
        page.goto(f"{look.base}{path}")
        for form in page.locator("main form").all():
            form.evaluate("form => { form.noValidate = true }")
        page.evaluate("document.querySelectorAll('main input[type=number]').forEach(one => { one.value = '-1' })")
        with page.expect_navigation():
            page.locator(button).last.click()
        look.now(f"{path} refused")
    page.goto(f"{look.base}/machines/{world.machine.pk}/")
    page.evaluate(UNFOLD)
    expect(page.locator("details.numbers-of table")).to_have_count(page.locator("details.numbers-of").count())
    look.now("a machine with all its numbers unfolded")
    page.goto(f"{look.base}/")
    page.get_by_role("searchbox").fill("BM")
    expect(page.locator("#hits a").first).to_be_visible()
    look.now("found while typing")
    look.at("/find/?q=nothing-like-it")


def test_the_doors_and_the_refusals(world, look):
    page = look.page
    look.at("/sign-in/")
    page.get_by_label("Username").fill("nobody")
    page.get_by_label("Password").fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator(".errorlist")).to_be_visible()
    look.now("a refused sign-in")
    for _ in range(5):
        page.get_by_label("Username").fill("nobody")
        page.get_by_label("Password").fill("wrong")
        page.get_by_role("button", name="Sign in").click()
        if page.get_by_role("heading", name="Locked for a while").is_visible():
            break
    look.now("locked for a while")

    client = Client()
    account = world.person("viewer")
    client.post("/sign-in/", {"username": account.username, "password": factories.PASSWORD, "shared": "on"})
    look.carry(client)
    look.at("/tablet/")
    look.at(f"/tablet/{world.colleague.pk}/")
    page.get_by_label("PIN").fill("9061")
    page.get_by_role("button", name="Go").click()
    expect(page.locator(".wrong")).to_be_visible()
    look.now("a wrong PIN")

    look.be(world.person("viewer"))
    look.at("/no/such/page/", 404)
    look.at("/people/", 403)
    look.at("/sign-out/", 405)


def test_a_change_that_came_second_shows_both(world, look):
    look.be(world.person("manager"))
    page, path = look.page, reverse("people:person", args=[world.colleague.pk])
    page.goto(f"{look.base}{path}")
    type(world.colleague).objects.filter(pk=world.colleague.pk).update(version=world.colleague.version + 1)
    with page.expect_navigation() as going:
        page.locator("main form").first.locator("button").first.click()
    assert going.value.status == 409
    look.now("two people changed one person")
    edit = address("edit", world.visit)
    page.goto(f"{look.base}{edit}")
    world.visit.refresh_from_db()
    type(world.visit).objects.filter(pk=world.visit.pk).update(version=world.visit.version + 1)
    with page.expect_navigation() as going:
        page.get_by_role("button", name="Save").click()
    assert going.value.status == 409
    look.now("two people changed one visit")
