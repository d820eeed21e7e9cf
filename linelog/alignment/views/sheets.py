"""The sheet of a visit, on the screen and as a PDF."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_GET

from linelog.alignment import visit_sheet
from linelog.alignment.queries import visits_for
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.permissions import Permission, needs


@require_GET
@needs(Permission.VIEW)
def show(request: Request, visit_id: int) -> HttpResponse:
    """Show the sheet."""
    visit = get_object_or_404(visits_for(request.user).select_related("tooling_set"), pk=visit_id)
    content = visit_sheet.content(visit, units.of(request.user), timezone.now())
    return render(request, "alignment/sheet.html", {"visit": visit, "sheet": content})


@require_GET
@needs(Permission.VIEW)
def pdf(request: Request, visit_id: int) -> HttpResponse:
    """Give the sheet as a PDF, on A4 or where asked on Letter."""
    visit = get_object_or_404(visits_for(request.user).select_related("tooling_set"), pk=visit_id)
    made = visit_sheet.pdf_of(visit, units.of(request.user), timezone.now(), request.GET.get("paper", ""))
    headers = {"Content-Disposition": f'inline; filename="visit-{visit.pk}.pdf"'}
    return HttpResponse(made, content_type="application/pdf", headers=headers)
