"""Pages of a visit as a whole."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from linelog.alignment.captures.queries import HEAVY
from linelog.alignment.forms.amend import AmendForm
from linelog.alignment.forms.lockout import VerifyForm
from linelog.alignment.forms.sweep import SweepForm
from linelog.alignment.forms.visit import (
    DropForm,
    EditVisitForm,
    OpenVisitForm,
    PhotoForm,
)
from linelog.alignment.models import Visit
from linelog.alignment.place import offline_urls
from linelog.alignment.queries import (
    also_here,
    open_visit_of,
    station_lines,
    stations_of,
    visits_for,
    with_what_is_out,
)
from linelog.alignment.queries import visit_list as list_visits
from linelog.alignment.services import amending
from linelog.alignment.services import visits as services
from linelog.alignment.signing.names import as_signed, signature_of
from linelog.alignment.unconnected import KINDS, forms_to_fill, machines_to_visit, told
from linelog.alignment.views.lockouts import lockout_context
from linelog.plant.lockout import words_of, words_of_all
from linelog.plant.models import Machine, Plant
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.errors import Conflict, Refused
from linelog.web.keeping import keep
from linelog.web.permissions import Permission, may, needs
from linelog.web.requests import row_named, typed_at, whole


@require_GET
@needs(Permission.VIEW)
def visit_list(request: Request) -> HttpResponse:
    """List visits, newest first; of one machine or in one state where asked."""
    machines = Machine.objects.for_user(request.user).select_related("line")
    machine = row_named(machines, request.GET.get("machine", ""))
    state = request.GET.get("state", "")
    rows = list_visits(request.user, machine=machine, state=state if state in Visit.State else "")
    page = Paginator(rows, 25).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "visits": with_what_is_out(page, timezone.now()),
        "machine": machine,
        "machines": machines,
        "state": state,
        "states": Visit.State.choices,
    }
    return render(request, "alignment/visits.html", context)


@needs(Permission.LOG_VISIT)
def open_visit(request: Request, machine_id: int) -> HttpResponse:
    """Open a visit, or lead to the one that is open already."""
    machine = get_object_or_404(Machine.objects.for_user(request.user), pk=machine_id)
    initial = {"lockout_procedure": words_of(machine).number}
    form = OpenVisitForm(request.POST or None, initial=initial, fahrenheit=units.is_fahrenheit(request.user))
    theirs = None
    if request.method == "POST" and form.is_valid():
        try:
            return _gone_to(request, _open(request, machine, form))
        except Conflict as conflict:
            if not request.htmx:
                return redirect("alignment:visit", conflict.theirs.pk)
            theirs = conflict.theirs  # readings wait on the tablet: its person says where they go
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    already = theirs or open_visit_of(machine)
    context = {
        "form": form,
        "machine": machine,
        "already": already,
        "theirs": theirs,
        "lockout_words": words_of(machine),
    }
    status = 409 if theirs else 422 if form.is_bound else 200
    response = render(request, "alignment/open.html", context, status=status)
    if theirs:
        response["X-Version"] = str(theirs.pk)
    return response


def _open(request: Request, machine: Machine, form: OpenVisitForm) -> Visit:
    now = timezone.now()
    return services.open_visit(
        by=request.user,
        machine=machine,
        conditions=form.conditions(),
        lockout=form.lockout(),
        at=now,
        paper_of=form.cleaned_data["paper_of"],
        said_at=typed_at(request, now),
        join=whole(request.POST.get("version", "")),
        key=request.headers.get("X-Write-Key", "")[:64],
    )


def _gone_to(request: Request, visit: Visit) -> HttpResponse:
    """Lead to the visit; a tablet's queue, which has more to send for it, learns its number."""
    if not request.htmx:
        return redirect("alignment:visit", visit.pk)
    response = HttpResponse('<p id="opened">Opened.</p>')
    response["X-Visit"] = str(visit.pk)
    return response


@require_GET
@needs(Permission.LOG_VISIT)
def unconnected(request: Request) -> HttpResponse:
    """Show the page on which a visit is opened, and its stations swept, while there is no network."""
    machines = machines_to_visit(request.user)
    words = words_of_all(machines)
    procedures = list(dict.fromkeys(words.values()))
    numbers = {key: procedures.index(said) for key, said in words.items()}
    unit, fahrenheit = units.of(request.user), units.is_fahrenheit(request.user)
    context = {
        "machines": told(machines, unit, numbers),
        "procedures": procedures,
        "numbers": [said.number for said in procedures],
        "form": OpenVisitForm(fahrenheit=fahrenheit),
        "sweep_forms": [(kind, SweepForm(kind=kind, unit=unit, auto_id=f"{kind}_%s")) for kind in KINDS],
        "lockout_form": VerifyForm(auto_id="verify_%s"),
        **forms_to_fill(request.user.plant or Plant(), unit),
        "photo_form": PhotoForm(),
        "reader": unit,
        "made_at": f"{timezone.now().timestamp():.6f}",
    }
    return keep(request, render(request, "alignment/unconnected.html", context))


def visit_page(request: Request, visit: Visit, status: int = 200, **forms: object) -> HttpResponse:
    """Render a visit; `forms` hands back what was refused, with its sentences."""
    now = timezone.now()
    lines = station_lines(visit, now)
    for line in lines:
        as_signed(visit, [line.station], line.moves)
    photos = list(visit.photos.select_related("station", "by"))
    as_signed(visit, made=photos)
    context = {
        "visit": visit,
        "signature": signature_of(visit),
        "lines": lines,
        "expects_running": any(
            one and one.running for line in lines for one in (line.found_stands, line.left_stands)
        ),
        "amendments": visit.amendments.select_related("station", "by").prefetch_related("readings__reading__sweep"),
        "captures": visit.captures.defer(*HEAVY).select_related("by"),
        "photos": photos,
        "others": also_here(visit, request.user, now - timedelta(minutes=30)) if visit.is_open else [],
        "keep_urls": offline_urls(visit, stations_of(visit.machine)) if visit.is_open else [],
        "may_log": visit.is_open and may(request.user, Permission.LOG_VISIT),
        "may_sign": visit.is_open and may(request.user, Permission.SIGN_VISIT),
        "may_amend": visit.state == Visit.State.SIGNED and may(request.user, Permission.AMEND_VISIT),
        "may_history": may(request.user, Permission.HISTORY),
        **lockout_context(request, visit),
        "photo_form": PhotoForm(),
        "drop_form": DropForm(),
        **forms,
    }
    return render(request, "alignment/visit.html", context, status=status)


@require_GET
@needs(Permission.VIEW)
def visit(request: Request, visit_id: int) -> HttpResponse:
    """Show a visit: its stations, what was found, done and left, and what is still to do."""
    visit = get_object_or_404(visits_for(request.user), pk=visit_id)
    response = visit_page(request, visit)
    return keep(request, response) if visit.is_open else response


@needs(Permission.LOG_VISIT)
def edit(request: Request, visit_id: int) -> HttpResponse:
    """Correct the conditions of an open visit and write its note."""
    visit = get_object_or_404(visits_for(request.user), pk=visit_id)
    initial = {name: getattr(visit, name) for name in EditVisitForm.base_fields if hasattr(visit, name)}
    initial["machine_state"] = "paper" if visit.from_paper else "running" if visit.machine_runs else "stopped"
    form = EditVisitForm(
        request.POST or None, visit=visit, initial=initial, fahrenheit=units.is_fahrenheit(request.user)
    )
    status = 422 if form.is_bound else 200
    theirs = None
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            services.change_conditions(
                by=request.user,
                visit=visit,
                conditions=form.conditions(),
                note=data["note"],
                version=data["version"],
                at=timezone.now(),
            )
            return redirect("alignment:visit", visit.pk)
        except Conflict as conflict:
            theirs, status = conflict.theirs, 409
            form.add_error(None, f"{conflict.message} Below on the left is what stands, in the form what you typed.")
        except Refused as refusal:
            form.add_error(None, refusal.message)
    context = {"form": form, "visit": visit, "theirs": theirs}
    return render(request, "alignment/edit.html", context, status=status)


@require_POST
@needs(Permission.LOG_VISIT)
def drop(request: Request, visit_id: int) -> HttpResponse:
    """Close a visit that came to nothing."""
    visit = get_object_or_404(visits_for(request.user), pk=visit_id)
    form = DropForm(request.POST)
    if form.is_valid():
        try:
            services.drop_visit(by=request.user, visit=visit, why=form.cleaned_data["why"], at=timezone.now())
            return redirect("alignment:visit", visit.pk)
        except Refused as refusal:
            form.add_error("why", refusal.message)
    return visit_page(request, visit, status=422, drop_form=form)


@needs(Permission.AMEND_VISIT)
def amend(request: Request, visit_id: int) -> HttpResponse:
    """Put an amendment beside a signed visit."""
    visit = get_object_or_404(visits_for(request.user), pk=visit_id)
    initial = {"reading": request.GET.get("reading", "")[:20]}
    form = AmendForm(request.POST or None, visit=visit, unit=units.of(request.user), initial=initial)
    if request.method == "POST" and form.is_valid():
        said: dict[str, Any] = {"by": request.user, "visit": visit, "reason": form.cleaned_data["reason"]}
        retyped, now = form.retyped(), timezone.now()
        try:
            if retyped:
                amending.retype_reading(**said, retyped=retyped, at=now)
            else:
                amending.amend_visit(**said, value=form.value(), at=now)
            return redirect("alignment:visit", visit.pk)
        except Refused as refusal:
            form.asks = refusal.message == amending.UNFIT
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    context = {"form": form, "visit": visit}
    return render(request, "alignment/amend.html", context, status=422 if form.is_bound else 200)
