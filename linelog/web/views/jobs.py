"""The page of a background job: how far it is, and a button to cancel it."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from linelog.web import health, jobs
from linelog.web.permissions import Permission, needs
from linelog.web.requests import Request


@needs(Permission.VIEW)
@require_GET
def job(request: Request, job_id: int) -> HttpResponse:
    """Show the job; asked by htmx, only the part that changes."""
    work = get_object_or_404(jobs.for_user(request.user), pk=job_id)
    page = {
        "job": work,
        "may_cancel": jobs.may_cancel(work, request.user),
        "no_worker": work.state == work.State.WAITING and not health.worker(timezone.now()).ok,
    }
    return render(request, "web/job.html#state" if request.htmx else "web/job.html", page)


@needs(Permission.VIEW)
@require_POST
def cancel(request: HttpRequest, job_id: int) -> HttpResponse:
    """Cancel the job, or ask its worker to stop."""
    work = get_object_or_404(jobs.for_user(request.user), pk=job_id)
    jobs.cancel(job=work, by=request.user, at=timezone.now())
    return redirect("web:job", job_id=work.pk)
