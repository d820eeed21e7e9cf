"""Every address of the project, asked for by every kind of visitor, against a table written by hand.

A new address must be added to EXPECTED: its name, who gets in, and (where it has parts) how to fill them in from
the World (tests/world.py). Everybody else must be turned away: 403, or off to sign in, or off to the PIN page; and a
manager of another plant must find nothing (404) wherever the address names something of a plant.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from django.conf import settings
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from linelog.web import acting
from tests import factories
from tests.world import World

pytestmark = pytest.mark.django_db

ROLES = frozenset({"viewer", "mechanic", "quality", "manager", "administrator"})
EVERYBODY = ROLES | {"anonymous", "tablet"}
DEVICES = ROLES | {"tablet"}
LOGGERS = frozenset({"mechanic", "manager", "administrator"})
SAMPLERS = frozenset({"mechanic", "quality", "manager", "administrator"})
COUNTERS = frozenset({"quality", "manager", "administrator"})
FOLLOWERS = frozenset({"mechanic", "quality", "manager", "administrator"})
MANAGERS = frozenset({"manager", "administrator"})
ADMINISTRATORS = frozenset({"administrator"})
VISITORS = [*sorted(EVERYBODY), "elsewhere", "mechanic by PIN"]


@dataclass(frozen=True)
class Row:
    """Who gets in at an address, what fills its parts, and whether it names something of one plant."""

    who: frozenset[str]
    parts: Callable[[World], dict[str, Any]] | None = None
    of_plant: bool = True


def the(**attributes: str) -> Callable[[World], dict[str, Any]]:
    """the(visit_id='visit') fills the part visit_id with the key of the World's visit."""
    return lambda world: {part: getattr(world, name).pk for part, name in attributes.items()}


VISIT = the(visit_id="visit")
STATION = the(visit_id="visit", station_id="station")
BUSHING = the(visit_id="visit", station_id="bushing")
COLLEAGUE = the(person_id="colleague")

EXPECTED: dict[str, Row] = {
    # Shared pages
    "web:sign_in": Row(EVERYBODY),
    "web:sign_out": Row(DEVICES),
    "web:tablet": Row(DEVICES),
    "web:take_over": Row(DEVICES, COLLEAGUE, of_plant=False),  # on a device that is not shared it leads home
    "web:hand_over": Row(DEVICES),
    "web:still_here": Row(ROLES),
    "web:history": Row(COUNTERS),
    "web:job": Row(ROLES, the(job_id="job")),
    "web:job_cancel": Row(MANAGERS, the(job_id="job")),
    "web:service_worker": Row(EVERYBODY),
    "web:no_connection": Row(EVERYBODY),
    "web:who": Row(EVERYBODY),
    "web:health": Row(EVERYBODY),
    "web:robots": Row(EVERYBODY),
    # People
    "people:people": Row(MANAGERS),
    "people:add": Row(MANAGERS),
    "people:me": Row(ROLES),
    "people:my_password": Row(ROLES),
    "people:my_pin": Row(ROLES),
    "people:person": Row(MANAGERS, COLLEAGUE),
    "people:password": Row(MANAGERS, COLLEAGUE),
    "people:pin": Row(MANAGERS, COLLEAGUE),
    "people:clear_pin": Row(MANAGERS, COLLEAGUE),
    # Plant set-up
    "plant:setup": Row(MANAGERS),
    "plant:other": Row(MANAGERS),
    "plant:add_plant": Row(ADMINISTRATORS),
    "plant:plant": Row(MANAGERS, the(plant_id="plant")),
    "plant:settings": Row(MANAGERS, the(plant_id="plant")),
    "plant:lockout": Row(MANAGERS, the(plant_id="plant")),
    "plant:add_shift": Row(MANAGERS, the(plant_id="plant")),
    "plant:shift": Row(MANAGERS, the(shift_id="shift")),
    "plant:add_line": Row(MANAGERS, the(plant_id="plant")),
    "plant:line": Row(MANAGERS, the(line_id="line")),
    "plant:add_stock": Row(MANAGERS, the(plant_id="plant")),
    "plant:stock": Row(MANAGERS, the(stock_id="stock")),
    "plant:add_limit_rule": Row(MANAGERS, the(plant_id="plant")),
    "plant:limit_rule": Row(MANAGERS, the(rule_id="limit_rule")),
    "plant:add_machine": Row(MANAGERS, the(plant_id="plant")),
    "plant:machine": Row(MANAGERS, the(machine_id="machine")),
    "plant:machine_edit": Row(MANAGERS, the(machine_id="machine")),
    "plant:machine_lockout": Row(MANAGERS, the(machine_id="machine")),
    "plant:ram": Row(MANAGERS, the(machine_id="machine")),
    "plant:moves_for": Row(MANAGERS, the(machine_id="machine")),
    "plant:machine_copy": Row(MANAGERS, the(machine_id="machine")),
    "plant:add_mark": Row(MANAGERS, the(machine_id="machine")),
    "plant:mark": Row(MANAGERS, the(mark_id="mark")),
    "plant:add_station": Row(MANAGERS, the(machine_id="machine")),
    "plant:station": Row(MANAGERS, the(station_id="station")),
    "plant:station_move": Row(MANAGERS, the(station_id="station")),
    "plant:station_active": Row(MANAGERS, the(station_id="station")),
    "plant:add_adjuster": Row(MANAGERS, lambda world: {"station_id": world.station.pk, "kind": "screw"}),
    "plant:adjuster": Row(MANAGERS, the(adjuster_id="adjuster")),
    "plant:add_set": Row(MANAGERS, the(plant_id="plant")),
    "plant:tooling_set": Row(MANAGERS, the(set_id="tooling_set")),
    "plant:set_edit": Row(MANAGERS, the(set_id="tooling_set")),
    "plant:fit": Row(MANAGERS, the(set_id="tooling_set")),
    "plant:take_off": Row(MANAGERS, the(fitting_id="fitting")),
    "plant:tracing": Row(COUNTERS, the(plant_id="plant")),
    "plant:add_place": Row(MANAGERS, the(plant_id="plant")),
    "plant:place": Row(MANAGERS, the(place_id="place")),
    "plant:add_code": Row(MANAGERS, the(plant_id="plant")),
    "plant:code": Row(MANAGERS, the(code_id="code")),
    "plant:add_symptom": Row(MANAGERS, the(code_id="code")),
    "plant:symptom": Row(MANAGERS, the(symptom_id="symptom")),
    # Alignment visits
    "alignment:visits": Row(ROLES),
    "alignment:unconnected": Row(LOGGERS),
    "alignment:open": Row(LOGGERS, the(machine_id="machine")),
    "alignment:visit": Row(ROLES, VISIT),
    "alignment:edit": Row(LOGGERS, VISIT),
    "alignment:lockout": Row(LOGGERS, VISIT),
    "alignment:lockout_page": Row(ROLES, VISIT),
    "alignment:lockout_now": Row(ROLES, VISIT),
    "alignment:lock": Row(LOGGERS, VISIT),
    "alignment:lock_off": Row(LOGGERS, the(visit_id="visit", lock_id="own_lock")),
    "alignment:lockout_end": Row(LOGGERS, VISIT),
    "alignment:lockout_return": Row(LOGGERS, VISIT),
    "alignment:sign": Row(LOGGERS, VISIT),
    "alignment:drop": Row(LOGGERS, VISIT),
    "alignment:amend": Row(LOGGERS, VISIT),
    "alignment:sheet": Row(ROLES, VISIT),
    "alignment:sheet_pdf": Row(ROLES, VISIT),
    "alignment:add_photo": Row(LOGGERS, VISIT),
    "alignment:photo": Row(ROLES, the(photo_id="photo")),
    "alignment:station": Row(ROLES, STATION),
    "alignment:reading": Row(LOGGERS, STATION),
    "alignment:sweep": Row(LOGGERS, STATION),
    "alignment:accept": Row(LOGGERS, STATION),
    "alignment:move": Row(LOGGERS, STATION),
    "alignment:advised": Row(LOGGERS, STATION),
    "alignment:count_pack": Row(LOGGERS, the(visit_id="visit", station_id="station", adjuster_id="adjuster")),
    "alignment:move_back": Row(LOGGERS, the(visit_id="visit", station_id="station", move_id="move")),
    "alignment:untouched": Row(LOGGERS, STATION),
    "alignment:note": Row(LOGGERS, STATION),
    "alignment:running": Row(LOGGERS, STATION),
    "alignment:bar": Row(ROLES, VISIT),
    "alignment:bar_set_up": Row(LOGGERS, VISIT),
    "alignment:bar_fitting": Row(LOGGERS, VISIT),
    "alignment:clearance": Row(LOGGERS, BUSHING),
    "alignment:position": Row(LOGGERS, BUSHING),
    "alignment:fitted": Row(LOGGERS, BUSHING),
    "alignment:ram": Row(ROLES, the(machine_id="machine")),
    "alignment:ram_figures": Row(ROLES, the(machine_id="machine")),
    "alignment:line": Row(ROLES, the(machine_id="machine")),
    "alignment:reconciled": Row(ROLES, the(machine_id="machine")),
    "alignment:reconciled_figures": Row(ROLES, the(machine_id="machine")),
    # Running captures
    "alignment:captures": Row(ROLES, the(machine_id="machine")),
    "alignment:warm_up": Row(ROLES, the(machine_id="machine")),
    "alignment:warm_up_figures": Row(ROLES, the(machine_id="machine")),
    "alignment:capture_send": Row(LOGGERS, the(machine_id="machine")),
    "alignment:probe_setup_add": Row(MANAGERS, the(machine_id="machine")),
    "alignment:probe_setup": Row(MANAGERS, the(setup_id="probe_setup")),
    "alignment:probe_bump": Row(LOGGERS, the(setup_id="probe_setup")),
    "alignment:capture_limits": Row(MANAGERS, the(plant_id="plant")),
    "alignment:capture": Row(ROLES, the(capture_id="capture")),
    "alignment:capture_figures": Row(ROLES, the(capture_id="capture")),
    "alignment:capture_numbers": Row(ROLES, the(capture_id="capture")),
    "alignment:capture_file": Row(ROLES, the(capture_id="capture")),
    "alignment:capture_cancel": Row(LOGGERS, the(capture_id="capture")),
    "alignment:capture_again": Row(LOGGERS, the(capture_id="capture")),
    "alignment:capture_aside": Row(LOGGERS, the(capture_id="capture")),
    "alignment:capture_join": Row(LOGGERS, the(capture_id="capture")),
    "alignment:capture_leave": Row(LOGGERS, the(capture_id="capture")),
    # Production counts
    "production:counts": Row(ROLES),
    "production:enter": Row(COUNTERS),
    "production:export": Row(ROLES),
    "production:changes": Row(ROLES),
    "production:row": Row(ROLES, the(count_id="count")),
    "production:correct": Row(COUNTERS, the(count_id="count")),
    "production:take_out": Row(COUNTERS, the(count_id="count")),
    "production:causes": Row(ROLES),
    "production:cause_add": Row(COUNTERS),
    "production:cause": Row(COUNTERS, the(cause_id="cause")),
    "production:cause_take_out": Row(COUNTERS, the(cause_id="cause")),
    "production:events": Row(ROLES),
    "production:event_add": Row(COUNTERS),
    "production:event_take_out": Row(COUNTERS, the(event_id="event")),
    "production:uploads": Row(COUNTERS),
    "production:template": Row(COUNTERS, lambda world: {"kind": "csv"}, of_plant=False),
    "production:upload": Row(COUNTERS, the(upload_id="upload")),
    "production:upload_store": Row(COUNTERS, the(upload_id="upload")),
    "production:upload_read_again": Row(COUNTERS, the(upload_id="upload")),
    "production:upload_cancel": Row(COUNTERS, the(upload_id="upload")),
    "production:upload_original": Row(COUNTERS, the(upload_id="upload")),
    "production:upload_problems": Row(COUNTERS, the(upload_id="upload")),
    "production:walls": Row(ROLES),
    "production:wall_enter": Row(SAMPLERS),
    "production:wall_file": Row(SAMPLERS),
    "production:wall_template": Row(SAMPLERS),
    "production:wall_sample": Row(ROLES, the(sample_id="wall_sample")),
    "production:wall_correct": Row(SAMPLERS, the(sample_id="wall_sample")),
    "production:wall_take_out": Row(SAMPLERS, the(sample_id="wall_sample")),
    # Findings
    "findings:add": Row(COUNTERS),
    "findings:correct": Row(COUNTERS, the(finding_id="finding")),
    "findings:take_out": Row(COUNTERS, the(finding_id="finding")),
    "findings:add_photo": Row(COUNTERS, the(finding_id="finding")),
    "findings:photo": Row(ROLES, the(photo_id="finding_photo")),
    "trends:findings": Row(ROLES),
    "trends:finding": Row(ROLES, the(pk="finding")),
    "trends:machine_findings": Row(ROLES, the(pk="machine")),
    "trends:pareto": Row(ROLES),
    "trends:pareto_figures": Row(ROLES),
    # Trends
    "trends:fleet": Row(ROLES),
    "trends:find": Row(ROLES),
    "trends:labels": Row(ROLES),
    "trends:line_labels": Row(ROLES, the(line_id="line")),
    "trends:short": Row(ROLES, the(pk="machine")),
    "trends:machine": Row(ROLES, the(pk="machine")),
    "trends:figures": Row(ROLES, the(pk="machine")),
    "trends:numbers": Row(ROLES, lambda world: {"pk": world.machine.pk, "what": "offsets"}),
    "trends:ranking": Row(ROLES),
    "trends:ranking_figures": Row(ROLES),
    "trends:said": Row(ROLES),
    "trends:said_figures": Row(ROLES),
    "trends:signals": Row(ROLES),
    "trends:signal": Row(ROLES, the(pk="signal")),
    "trends:signals_answer": Row(FOLLOWERS),
    "trends:machine_signals": Row(ROLES, the(pk="machine")),
    "trends:signal_figures": Row(ROLES, the(pk="machine")),
    "trends:repeats": Row(ROLES),
    "trends:repeat": Row(ROLES, the(pk="repeat")),
    "trends:repeat_take_up": Row(FOLLOWERS, the(pk="repeat")),
    "trends:take_up": Row(FOLLOWERS, the(pk="taken_up")),
    "trends:bushings": Row(ROLES, the(pk="machine")),
    "trends:bushing_figures": Row(ROLES, the(pk="machine")),
    "trends:wall": Row(ROLES, the(pk="machine")),
    "trends:wall_csv": Row(ROLES, the(pk="machine")),
    "trends:wall_figures": Row(ROLES, the(pk="machine")),
    "trends:numbers_csv": Row(ROLES, lambda world: {"pk": world.machine.pk, "what": "offsets"}),
    # Plan
    "planning:plan": Row(ROLES),
    "planning:accept": Row(MANAGERS, the(plant_id="plant")),
    "planning:crew": Row(MANAGERS, the(plant_id="plant")),
    "planning:change": Row(MANAGERS, the(pk="planned")),
    "planning:take_out": Row(MANAGERS, the(pk="planned")),
    "planning:machine": Row(ROLES, the(pk="machine")),
    "planning:add": Row(MANAGERS, the(pk="machine")),
    "planning:figures": Row(ROLES, the(pk="machine")),
    "planning:sheet": Row(ROLES, the(pk="machine")),
    "planning:add_stop": Row(MANAGERS, the(plant_id="plant")),
    "planning:stop": Row(MANAGERS, the(pk="stop")),
    "planning:calendars": Row(MANAGERS),
    "planning:revoke": Row(MANAGERS, the(pk="calendar")),
    # A calendar program cannot sign in: the address itself is what it knows.
    "planning:display": Row(EVERYBODY, lambda world: {"secret": world.display_secret}, of_plant=False),
    "planning:feed": Row(EVERYBODY, lambda world: {"secret": world.calendar_secret}, of_plant=False),
    # Tables to take away; who may take which is tested with them
    "reports:tables": Row(ROLES),
    "reports:reports": Row(ROLES),
    "reports:weekly": Row(ROLES),
    "reports:audit": Row(COUNTERS),
    "reports:complaint": Row(ROLES, the(pk="complaint")),
    "reports:dictionary": Row(ROLES),
    "reports:file": Row(ROLES, lambda world: {"name": "visits", "kind": "csv"}, of_plant=False),
    # Evidence
    "trends:evidence": Row(ROLES),
    "trends:evidence_figures": Row(ROLES),
    "trends:before_after": Row(ROLES),
    "trends:before_after_figures": Row(ROLES),
    "trends:machine_evidence": Row(ROLES, the(pk="machine")),
    "trends:machine_evidence_figures": Row(ROLES, the(pk="machine")),
}


def named_patterns(patterns: list[Any], namespace: str = "") -> Iterator[tuple[str, URLPattern]]:
    """Yield every address of the project with its full name, which ends in ':' (or is empty) where it has none."""
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            inner = f"{namespace}{pattern.namespace}:" if pattern.namespace else namespace
            yield from named_patterns(pattern.url_patterns, inner)
        else:
            yield f"{namespace}{pattern.name or ''}", pattern


PATTERNS = list(named_patterns(get_resolver().url_patterns))
OURS = {name for name, _ in PATTERNS if not name.startswith("admin:")}


def test_every_address_stands_in_the_table():
    nameless = [name for name in OURS if not name.rpartition(":")[2]]
    assert not nameless, "an address has no name: give it one, and add it to EXPECTED in tests/test_access.py"
    missing = sorted(OURS - EXPECTED.keys())
    assert not missing, f"add this URL name to EXPECTED in tests/test_access.py: {', '.join(missing)}"
    gone = sorted(EXPECTED.keys() - OURS)
    assert not gone, f"no such address any more, take it out of EXPECTED in tests/test_access.py: {', '.join(gone)}"


BROWSER = Client(raise_request_exception=False)  # one for all: each builds the whole chain of middleware anew


class Visitor:
    """Somebody at the door: who they are, and the session their browser holds."""

    def __init__(self, name: str, world: World) -> None:
        self.name = name
        self.role = {"elsewhere": "manager", "mechanic by PIN": "mechanic"}.get(name, name)
        self.session = "" if name == "anonymous" else self._session(world)
        # On a shared tablet every page says for whom it was made.
        self.says = {"X-Person": str(world.colleague.pk)} if name == "mechanic by PIN" else {}

    def _session(self, world: World) -> str:
        on_tablet = self.name in {"tablet", "mechanic by PIN"}
        # A tablet's own account has every right of the plant: none of it may show before the PIN, or after.
        person = factories.person("manager") if self.name == "elsewhere" else None
        person = person or world.person("manager" if on_tablet else self.name)
        client = Client()
        client.force_login(person)
        if on_tablet:
            session = client.session
            acting.make_shared(session, world.tablet)
            if self.name == "mechanic by PIN":
                acting.take_over(session, world.colleague, timezone.now())
            session.save()
            return session.session_key
        return client.session.session_key

    def ask(self, method: str, url: str) -> tuple[int, str]:
        """Ask, undo what was done, and return the status and where it leads."""
        BROWSER.cookies.clear()
        if self.session:
            BROWSER.cookies[settings.SESSION_COOKIE_NAME] = self.session
        with transaction.atomic():
            answer = getattr(BROWSER, method)(url, headers=self.says)
            if answer.streaming:
                b"".join(answer.streaming_content)  # to its end, which closes the file
            transaction.set_rollback(True)
        return answer.status_code, answer.headers.get("Location", "")

    def verdict(self, url: str, methods: tuple[str, ...] = ("get", "post"), *, one: bool = False) -> str:
        """Say in a word what the methods came to together, or the first that is taken, where `one` is enough."""
        answers = []
        for method in methods:
            answers.append(self.ask(method, url))
            if one and answers[-1][0] != 405:
                break
        said = {status for status, _ in answers} - {405}
        leads = {place.split("?")[0] for status, place in answers if status == 302}
        if said == {302} and leads <= TURNED_AWAY.keys() and len(leads) == 1:
            return TURNED_AWAY[leads.pop()]
        words = {frozenset({403}): "forbidden", frozenset({404}): "nothing"}
        if said and said <= {200, 204, 302, 400, 409, 422, 429, 503}:
            return "in"
        return words.get(frozenset(said), f"neither in nor out {sorted(said)}")

    def expected(self, row: Row) -> str:
        """Return what the table says of this visitor."""
        if self.role not in row.who:
            return {"anonymous": "to sign in", "tablet": "to the PIN"}.get(self.role, "forbidden")
        return "nothing" if self.name == "elsewhere" and row.parts is not None and row.of_plant else "in"


TRY_ALL = {"administrator", "mechanic by PIN"}
TURNED_AWAY = {"/sign-in/": "to sign in", "/tablet/": "to the PIN"}
# These lead to the sign-in or PIN page by design once they have done their work.
LEADS_THERE = {("web:sign_out", "to sign in"), ("web:hand_over", "to the PIN")}


def test_who_gets_in_where():
    world = World()
    visitors = [Visitor(name, world) for name in VISITORS]
    wrong, asked = [], 0
    for name in sorted(EXPECTED.keys() & OURS):
        row = EXPECTED[name]
        url = reverse(name, kwargs=row.parts(world) if row.parts else None)
        for visitor in visitors:
            wanted = visitor.expected(row)
            # Whom the door stops it must stop for every method; of those it lets in two try them all.
            got = visitor.verdict(url, one=wanted == "in" and visitor.name not in TRY_ALL)
            asked += 1
            if got != wanted and not (wanted == "in" and (name, got) in LEADS_THERE):
                wrong.append(f"{name} ({url}) for {visitor.name}: {got}, should be {wanted}")
    print(f"{asked} pairs of address and visitor, {len(wrong)} wrong")
    assert not wrong, "\n" + "\n".join(wrong)


def admin_urls(ending: str = "") -> list[str]:
    """Return every address of the administrator's own tables whose name has this ending."""
    fill = {"object_id": "1", "app_label": "plant", "content_type_id": 1, "url": "nothing-here"}
    urls = []
    for name, pattern in PATTERNS:
        if name.startswith("admin:") and name != "admin:" and name.endswith(ending):
            parts = {part: fill[part] for part in pattern.pattern.regex.groupindex}
            urls.append(reverse(name, kwargs=parts))
    return urls


def test_the_administrators_tables_are_shut_to_everybody_else():
    world, row, wrong = World(), Row(ADMINISTRATORS), []
    for visitor in [Visitor(name, world) for name in VISITORS if name != "administrator"]:
        most = visitor.name in {"anonymous", "tablet", "manager"}  # the rest can do less than a manager
        for url in ["/admin/nothing-here/", *(admin_urls() if most else admin_urls("_changelist"))]:
            wanted, got = visitor.expected(row), visitor.verdict(url, ("get",))
            if got != wanted:
                wrong.append(f"{url} for {visitor.name}: {got}, should be {wanted}")
    assert not wrong, "\n" + "\n".join(wrong)


MENDABLE = {
    *("plant", "shift", "line", "machine", "markassignment", "station", "adjuster", "shimstock", "shimthickness"),
    *("toolingset", "toolpart", "fitting", "spoilagecause", "event", "findingplace", "defectcode", "symptom"),
}


def test_the_administrator_may_mend_the_set_up_and_only_look_at_the_rest():
    administrator = Visitor("administrator", World())
    assert administrator.ask("get", "/admin/")[0] == 200
    for ending in ("_changelist", "_add"):
        for url in admin_urls(ending):
            app, model = url.strip("/").split("/")[1:3]
            shut = ending == "_add" and (model not in MENDABLE or app not in {"plant", "production"})
            assert (url, administrator.ask("get", url)[0]) == (url, 403 if shut else 200)
