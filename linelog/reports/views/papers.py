"""Reports as PDF: the page that offers them, and each."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_GET

from linelog.calc.units import Unit
from linelog.plant.models import Plant
from linelog.plant.requests import Request
from linelog.production import weeks
from linelog.production.days import local_day
from linelog.production.models import Finding
from linelog.reports import audit_pack, complaint, weekly
from linelog.reports.forms import AuditForm, OfPlant, WeeklyForm
from linelog.reports.paper import Reader
from linelog.reports.tables.asked import Asked
from linelog.trends.queries.findings import findings_for
from linelog.web import units
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, may, needs

MOST_COMPLAINTS = 20


@require_GET
@needs(Permission.VIEW)
def reports(request: Request) -> HttpResponse:
    """Offer the reports: of a week, of a complaint, of a period for an audit."""
    paper = _usual_paper(request)
    plant = Plant.objects.for_user(request.user).order_by("pk").first()
    if plant is None:
        raise Http404
    today = local_day(plant, timezone.now())
    month = today.replace(day=1) - dt.timedelta(days=1)
    days = {"since": month.replace(day=1), "until": month}
    complaints = findings_for(request.user).exclude(complaint="").order_by("complaint_closed_on", "-found_on", "-pk")
    open_first = sorted(complaints[: 10 * MOST_COMPLAINTS], key=lambda one: one.complaint_closed_on is not None)
    context = {
        "weekly": WeeklyForm(
            user=request.user, auto_id="week-%s", initial={"week": _last_week(today), "paper": paper}
        ),
        "audit": AuditForm(user=request.user, auto_id="audit-%s", initial={**days, "paper": paper}),
        "may_audit": may(request.user, Permission.HISTORY),
        "complaints": open_first[:MOST_COMPLAINTS],
        "paper": paper,
    }
    return render(request, "reports/reports.html", context)


def _usual_paper(request: Request) -> str:
    """Return Letter to who reads inches, else A4."""
    return "letter" if units.of(request.user) is Unit.INCH else "a4"


def _last_week(today: dt.date) -> dt.date:
    return weeks.monday(today) - dt.timedelta(days=7)


def _asked(form: OfPlant, request: Request) -> tuple[dict[str, Any], Reader]:
    """Return what was asked and for whom the report is made; what is wrong is said in one sentence."""
    for name, errors in form.errors.items():
        raise Refused(f"{form.fields[name].label or name}: {errors[0]}" if name in form.fields else str(errors[0]))
    plant, line = form.of()
    if plant is None:
        raise Http404
    given = {**form.cleaned_data, "line": line}
    return given, _reader(plant, request, given.get("paper", ""))


def _reader(plant: Plant, request: Request, paper: str) -> Reader:
    return Reader(plant, units.of(request.user), timezone.now(), paper or _usual_paper(request))


def _sent(made: bytes, name: str) -> HttpResponse:
    return HttpResponse(
        made, content_type="application/pdf", headers={"Content-Disposition": f'inline; filename="{name}.pdf"'}
    )


@require_GET
@needs(Permission.VIEW)
def week(request: Request) -> HttpResponse:
    """Give the report of a week; without one, of the last that is over."""
    given, reader = _asked(WeeklyForm(request.GET, user=request.user), request)
    day = given["week"] or _last_week(local_day(reader.plant, reader.at))
    monday = weeks.monday(day)
    if monday > local_day(reader.plant, reader.at):
        raise Refused("This week has not begun yet.")
    return _sent(weekly.pdf(reader.plant, given["line"], monday, reader), f"week-{monday:%G-%V}")


@require_GET
@needs(Permission.HISTORY)
def audit(request: Request) -> HttpResponse:
    """Give the audit pack of some days."""
    given, reader = _asked(AuditForm(request.GET, user=request.user), request)
    asked = Asked(reader.plant, at=reader.at, **{name: given[name] for name in ("line", "since", "until")})
    return _sent(audit_pack.pdf(asked, reader), f"audit-{asked.since}-{asked.until}")


@require_GET
@needs(Permission.VIEW)
def of_complaint(request: Request, pk: int) -> HttpResponse:
    """Give the report of a complaint; a finding that nobody complained about has none."""
    rows: Any = Finding.objects.for_user(request.user).exclude(complaint="")
    rows = rows.select_related("plant", "place", "code", "machine__line", "by").prefetch_related("photos")
    found = get_object_or_404(rows, pk=pk)
    paper = request.GET.get("paper", "")
    return _sent(complaint.pdf(found, _reader(found.plant, request, paper)), f"complaint-{found.pk}")
