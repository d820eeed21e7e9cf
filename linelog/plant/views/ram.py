"""The ram's page of the set-up, and which value the machine's moves are for."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods, require_POST

from linelog.calc.droop import Section
from linelog.plant.forms.ram import RamForm, SectionForm, SectionFormSet, sections_in
from linelog.plant.models import Machine
from linelog.plant.requests import Request
from linelog.plant.services import machines, ram
from linelog.plant.views.machine import machine_or_404, machine_url
from linelog.plant.views.pages import VersionForm
from linelog.web import units
from linelog.web.errors import Refused
from linelog.web.forms import add_row
from linelog.web.permissions import Permission, needs

TEMPLATE = "plant/ram.html"


@needs(Permission.SET_UP)
@require_http_methods(["GET", "POST"])
def edit(request: Request, machine_id: int) -> HttpResponse:
    """Change a ram with its sections; 'one more section' only adds a row to fill in."""
    row = machine_or_404(request, machine_id)
    posted = request.method == "POST"
    adding = posted and "add_row" in request.POST
    data = request.POST.copy() if posted else None
    if adding and data is not None:
        add_row(data, "sections")
    form = RamForm(data, row=row, unit=units.of(request.user))
    start = [SectionForm.initial_of(section) for section in row.ram_sections.all()]
    sections = SectionFormSet(data, initial=start, prefix="sections")
    sound = posted and not adding and sections.is_valid()
    if sound and form.attempt(lambda: _store(request, row, form, sections_in(sections))):
        messages.success(request, "Stored.")
        return redirect(machine_url(row))
    context = {"machine": row, "form": form, "sections": sections, "adding": adding, "back": machine_url(row)}
    status = 200 if adding or not posted else 422 if not sections.is_valid() else form.status
    template = f"{TEMPLATE}#sections" if adding and request.htmx else TEMPLATE
    return render(request, template, context, status=status)


def _store(request: Request, row: Machine, form: RamForm, sections: list[Section]) -> Machine:
    return ram.change_ram(
        by=request.user,
        at=timezone.now(),
        machine=row,
        version=form.cleaned_data["version"],
        facts=form.facts(),
        sections=sections,
    )


@needs(Permission.SET_UP)
@require_POST
def moves_for(request: Request, machine_id: int) -> HttpResponse:
    """Turn on or off that moves are for the running value, and go back to where that was pressed."""
    row = machine_or_404(request, machine_id)
    form = VersionForm(request.POST)
    if not form.is_valid() or request.POST.get("running") not in {"0", "1"}:
        raise Refused("Reload the page and press the button again.")
    running = request.POST["running"] == "1"
    machines.set_moves_for(
        by=request.user, at=timezone.now(), machine=row, version=form.cleaned_data["version"], running=running
    )
    value = "the value expected when running" if running else "the value as measured"
    messages.success(request, f"Moves offered on {row} are now for {value}.")
    back = request.POST.get("back", "")
    safe = url_has_allowed_host_and_scheme(back, {request.get_host()}, require_https=request.is_secure())
    return redirect(back if safe else machine_url(row))
