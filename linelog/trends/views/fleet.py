"""The front page, the search and the labels."""

from __future__ import annotations

import segno
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET
from django.views.decorators.vary import vary_on_headers

from linelog.plant.models import Line
from linelog.plant.requests import Request
from linelog.trends import words
from linelog.trends.first import first_things, waiting
from linelog.trends.fleet import ordered, read
from linelog.trends.forms import FindForm, FleetForm
from linelog.trends.queries.find import find as search
from linelog.trends.queries.labels import labelled, lines_for
from linelog.trends.ranking import yardstick
from linelog.trends.repeats.shown import first_few
from linelog.trends.views.fragments import wants_fragment
from linelog.web.permissions import Permission, needs

LOCAL_HOSTS = ("localhost", "127.0.0.1", "[::1]")


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def fleet(request: Request) -> HttpResponse:
    """Show all machines, with what this person is there to do before them."""
    today = timezone.localdate()
    found = read(request.user, today, timezone.now())
    first = first_things(request.user, found)
    form = FleetForm(request.GET, fleet=found, usual=first.sort)
    sort, line = form.asked()
    context = {
        "fleet": found,
        "first": first,
        "form": form,
        "rows": ordered(found.rows, sort, line=line),
        "sort": sort,
        "yardstick": yardstick.SAID,
        "line": line,
        "repeats": first_few(request.user) if first.who == "manager" else None,
        "waiting": waiting(request.user, today) if first.who == "quality" and not wants_fragment(request) else None,
        "counts_age": words.ago(found.counted, today) if found.counted else "",
    }
    template = "trends/fleet.html#table" if wants_fragment(request) else "trends/fleet.html"
    return render(request, template, context, status=200 if form.is_valid() else 422)


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def find(request: Request) -> HttpResponse:
    """Find a machine by name or mark, tools by serial, a tooling set by name."""
    form = FindForm(request.GET)
    found = None
    if form.is_valid() and form.cleaned_data["q"]:
        found = search(request.user, form.cleaned_data["q"], form.day(timezone.localdate()))
    template = "trends/find.html#hits" if wants_fragment(request) else "trends/find.html"
    return render(request, template, {"form": form, "found": found}, status=200 if form.is_valid() else 422)


@require_GET
@needs(Permission.VIEW)
def labels(request: Request, line_id: int | None = None) -> HttpResponse:
    """Show labels to print: scanning one opens the machine on a tablet."""
    lines = lines_for(request.user)
    line = get_object_or_404(Line.objects.for_user(request.user), pk=line_id) if line_id else next(iter(lines), None)
    rows = []
    for one in labelled(line, timezone.localdate()) if line else []:
        address = request.build_absolute_uri(reverse("trends:short", args=[one.machine.pk]))
        rows.append({"machine": one.machine, "marks": one.marks, "address": address, "code": qr_code(address)})
    is_local = request.get_host().rsplit(":", 1)[0] in LOCAL_HOSTS
    return render(request, "trends/labels.html", {"lines": lines, "line": line, "rows": rows, "is_local": is_local})


def qr_code(address: str) -> str:
    """Return the code of an address as the address of its own picture; a quarter of it may be worn away."""
    return segno.make(address, error="q", micro=False).svg_data_uri(omitsize=True, border=4)
