"""The audit pack of a period: its visits with their signatures, the instruments, the people, and what was changed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.db.models import Count, Max, Min, Q, QuerySet

from linelog.alignment.models import BumpTest, Capture, MoveMade, Reading, Signature, Sweep, Visit
from linelog.plant.models import Person
from linelog.reports.paper import Reader, pdf_of
from linelog.reports.tables.asked import Asked
from linelog.web import history, history_words
from linelog.web.models import AuditEvent

MOST = 400  # of visits and of changes on paper; the tables have them all
MOST_FIELDS = 4
AMENDED = "amended visit"


def _chosen(asked: Asked, machine: str, at: str) -> dict[str, Any]:
    """Return the condition that a machine is one of those asked about, and a time lies in the days."""
    return {f"{machine}__in": list(asked.machines), **asked.span(at, is_time=True)}


def pdf(asked: Asked, reader: Reader) -> bytes:
    """Return the pack as a PDF."""
    return pdf_of("audit", reader, read(asked, reader))


def read(asked: Asked, reader: Reader) -> dict[str, Any]:
    """Return everything on it as text and lists."""
    visits = Visit.objects.filter(**_chosen(asked, "machine", "opened_at"))
    states = dict(visits.order_by().values_list("state").annotate(number=Count("pk")))
    return {
        "of": str(asked.line or asked.plant) + (f", {asked.plant}" if asked.line else ""),
        "period": f"{asked.since} to {asked.until}",
        "facts": [
            ["Visits opened", str(sum(states.values()))],
            *([label, str(states.get(state, 0))] for state, label in Visit.State.choices),
        ],
        **_visits(visits, reader),
        "instruments": _instruments(asked, reader),
        "rings": _rings(asked, reader),
        **_people(asked, visits),
        **_changes(asked, reader),
    }


def _rest(number: int, table: str) -> str:
    return f" Here are the first {MOST} of {number}; the table “{table}” has them all." if number > MOST else ""


def _visits(visits: QuerySet[Visit], reader: Reader) -> dict[str, Any]:
    number = visits.count()
    rows = visits.select_related("machine__line", "opened_by", "signature", "signed_by").order_by("opened_at", "pk")
    shown = rows.annotate(amended=Count("amendments"))[:MOST]
    said = "The digest is the fingerprint of the record as its signer saw it, by its first digits." + _rest(
        number, "Visits"
    )
    return {"visits": [_visit(one, reader) for one in shown], "visits_rest_on": said}


def _visit(one: Any, reader: Reader) -> list[str]:
    signature: Signature | None = getattr(one, "signature", None)
    state = one.get_state_display()
    if one.signed_at is not None:
        proof = f" ({signature.get_proof_display()})" if signature and signature.proof else ""
        state = f"Signed {reader.when(one.signed_at)} by {signature or one.signed_by}{proof}"
    elif one.dropped_why:
        state = f"Dropped: {one.dropped_why}"
    machine = f"{one.machine} ({one.machine.line})"
    names = (str(one.pk), machine, reader.when(one.opened_at), one.get_reason_display(), str(one.opened_by), state)
    return [*names, str(one.amended or ""), signature.digest[:12] if signature else ""]


def _instruments(asked: Asked, reader: Reader) -> list[list[str]]:
    """Return each indicator as it was set up: its step, its droop, how often and on how many machines it was used."""
    rows = Sweep.objects.filter(**_chosen(asked, "visit__machine", "visit__opened_at"), readings__isnull=False)
    found = rows.order_by("indicator", "resolution_um").values_list("indicator", "resolution_um")
    counted = found.annotate(
        Min("sag_um"),
        Max("sag_um"),
        Count("pk", distinct=True),
        Count("visit__machine", distinct=True),
        Min("visit__opened_at"),
        Max("visit__opened_at"),
    )
    return [
        [
            name or "not named",
            reader.um(step, named=True),
            reader.um(least) if least == most else f"{reader.um(least)} to {reader.um(most)}",
            str(sweeps),
            str(machines),
            *(reader.when(at)[:10] for at in (first, last)),
        ]
        for name, step, least, most, sweeps, machines, first, last in counted
    ]


def _rings(asked: Asked, reader: Reader) -> list[list[str]]:
    rows = Capture.objects.filter(**_chosen(asked, "machine", "recorded_at")).order_by("machine__name", "setup__name")
    counted = rows.values_list("setup_id", "setup__name", "machine__name").annotate(number=Count("pk"))
    found = list(counted)
    tests = BumpTest.objects.filter(setup__in=[pk for pk, *_ in found], **asked.span("at", is_time=True))
    last = {test.setup_id: test for test in tests.order_by("at")}
    return [[name, machine, str(number), _bump(last.get(pk), reader)] for pk, name, machine, number in found]


def _bump(test: BumpTest | None, reader: Reader) -> str:
    if test is None:
        return "none in this period"
    return f"{reader.when(test.at)}: {'as it should be' if test.right else 'not as it should be'}"


def _people(asked: Asked, visits: QuerySet[Visit]) -> dict[str, Any]:
    """Count what each person did; the role is that of the signature where there is one."""
    done: dict[int, list[int]] = {}
    sources: Iterable[tuple[Any, str]] = (
        (visits, "opened_by"),
        (visits.filter(signed_by__isnull=False), "signed_by"),
        (Reading.objects.filter(**_chosen(asked, "sweep__visit__machine", "sweep__visit__opened_at")), "by"),
        (MoveMade.objects.filter(**_chosen(asked, "visit__machine", "visit__opened_at")), "by"),
    )
    for column, (rows, field) in enumerate(sources):
        for pk, number in rows.order_by().values_list(field).annotate(number=Count("pk")):
            done.setdefault(pk, [0, 0, 0, 0])[column] = number
    signed = Signature.objects.filter(visit__in=visits).order_by("visit__signed_at")
    roles: dict[int, list[str]] = {}
    for pk, role in signed.values_list("visit__signed_by", "role"):
        if role not in roles.setdefault(pk, []):
            roles[pk].append(role)
    rows = [
        [str(one), ", ".join(roles.get(one.pk, [f"{one.role} today"])), *map(str, done[one.pk])]
        for one in Person.objects.filter(pk__in=done)
    ]
    return {"people": rows, "people_rest_on": "The role is that of the signatures; of who signed nothing, today's."}


def _changes(asked: Asked, reader: Reader) -> dict[str, Any]:
    """Return what changed or took out something that was stored, and the amendments, the oldest first."""
    events = AuditEvent.objects.filter(plant_id=asked.plant.pk, **asked.span("at", is_time=True))
    events = events.filter(Q(before__isnull=False) | Q(action=AMENDED)).order_by("at", "pk")
    number, shown = events.count(), list(events[:MOST])
    names = history_words.Names(shown)
    rows = [[reader.when(one.at), one.actor_name, one.action, one.object_label, ""] for one in shown]
    for row, event in zip(rows, shown, strict=True):
        told = history.changes(event, reader.unit, names, asked.zone)
        row[-1] = "; ".join(f"{one.name}: {one.before} → {one.after}" for one in told[:MOST_FIELDS])
        row[-1] += f"; and {len(told) - MOST_FIELDS} more" if len(told) > MOST_FIELDS else ""
    of = " Of the whole plant, not of the line alone." if asked.line else ""
    said = f"What was added without changing anything is not listed; the table “History” has it.{of}"
    return {"changes": rows, "changes_rest_on": said + _rest(number, "History")}
