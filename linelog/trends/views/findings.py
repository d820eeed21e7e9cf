"""Findings and what they trace to: the list, one finding, a machine's findings."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_GET
from django.views.decorators.vary import vary_on_headers

from linelog.plant.models import Machine
from linelog.plant.requests import Request
from linelog.production import listing
from linelog.production.models import Finding
from linelog.trends.finding_forms import FindingsForm, NearForm, SpanForm, as_found_words
from linelog.trends.look import where_to_look
from linelog.trends.queries.bearers import bearers_of, traced
from linelog.trends.queries.findings import alike, chosen, count_words, findings_for, with_traces
from linelog.trends.queries.machine import machine_for
from linelog.trends.queries.mark_evidence import evidence_for
from linelog.trends.queries.then import read_log
from linelog.trends.then import Then, then
from linelog.trends.views.fragments import wants_fragment
from linelog.web.permissions import Permission, may, needs
from linelog.web.requests import query_without_page


def _listed(request: Request, rows: Any, form: Any, template: str, more: dict[str, Any]) -> HttpResponse:
    page = listing.page_of(rows, request.GET.get("page", "1"))
    context = {
        "form": form,
        "page": page,
        "rows": with_traces(page.rows),
        "query": query_without_page(request),
        "may_trace": may(request.user, Permission.TRACE),
        **more,
    }
    name = f"{template}#list" if wants_fragment(request) else template
    return render(request, name, context, status=200 if form.is_valid() else 422)


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def findings(request: Request) -> HttpResponse:
    """List the findings, the last made first."""
    form = FindingsForm(request.GET, user=request.user)
    choice = form.cleaned_data if form.is_valid() else {}
    machine = choice.get("machine")
    bearers = bearers_of(machine.line.plant_id) if machine else None
    return _listed(request, chosen(findings_for(request.user), choice, bearers), form, "trends/findings.html", {})


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def of_machine(request: Request, pk: int) -> HttpResponse:
    """List the findings that a machine may have made."""
    machine = machine_for(request.user, pk)
    form = SpanForm(request.GET)
    choice = {**(form.cleaned_data if form.is_valid() else {}), "machine": machine}
    bearers = bearers_of(machine.line.plant_id)
    more = {"machine": machine, "marks": list(reversed(bearers.on_machine(machine.pk)))}
    rows = chosen(findings_for(request.user), choice, bearers)
    return _listed(request, rows, form, "trends/machine_findings.html", more)


@require_GET
@needs(Permission.VIEW)
def finding(request: Request, pk: int) -> HttpResponse:
    """Show one finding: where it leads, the machine's record at that time, others like it, where to look first."""
    found = get_object_or_404(findings_for(request.user).prefetch_related("photos", "code__symptoms"), pk=pk)
    form = NearForm(request.GET)
    days, asked = form.asked()
    bearers = bearers_of(found.plant_id)
    leads = traced(found, bearers, evidence_for(found.plant, [found], bearers))
    candidates = {one.machine_id for one in leads.candidates}
    machine_id = asked if asked in candidates else leads.machine_id
    record = _record(request, found, machine_id)
    others = alike(found, machine_id, bearers, days)
    context = {
        "finding": found,
        "traced": leads,
        "then": record,
        "as_if": record is not None and machine_id != leads.machine_id,
        "others": others,
        "others_words": count_words(others),
        "hints": where_to_look(list(found.code.symptoms.all()), record, others, found.plant.risk_percent),
        "later": as_found_words(found.found_on, found.made_on),
        "form": form,
        "days": days,
        **_rights(request),
    }
    return render(request, "trends/finding.html", context, status=200 if form.is_valid() else 422)


def _record(request: Request, found: Finding, machine_id: int | None) -> Then | None:
    if machine_id is None:
        return None
    machine: Machine = machine_for(request.user, machine_id)
    return then(read_log(machine, found.made_on, found.made_from, found.made_to), machine.line.plant)


def _rights(request: Request) -> dict[str, bool]:
    rights = {"may_trace": Permission.TRACE, "may_history": Permission.HISTORY, "may_set_up": Permission.SET_UP}
    return {name: may(request.user, permission) for name, permission in rights.items()}
