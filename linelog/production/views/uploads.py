"""Files of counts: send one, look at what is in it, store it, follow the work."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.http import FileResponse, Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.plant.models import Shift
from linelog.plant.requests import Request
from linelog.production import exporting, listing
from linelog.production.forms import OrderForm, StoreForm, UploadForm
from linelog.production.models import SpoilageCause, Upload
from linelog.production.services import uploads
from linelog.production.views.counts import sent, tell
from linelog.production.working import SHOWN_PROBLEMS, problems_path
from linelog.web import health
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, needs

TEMPLATES = {
    "csv": ("text/csv; charset=utf-8", exporting.template_csv),
    "xlsx": ("application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", exporting.template_xlsx),
}


def _find(request: Request, upload_id: int) -> Upload:
    return get_object_or_404(Upload.objects.for_user(request.user).select_related("plant", "by", "job"), pk=upload_id)


@needs(Permission.ENTER_COUNTS)
@require_http_methods(["GET", "POST"])
def everything(request: Request) -> HttpResponse:
    """Take a file, and list those that came before."""
    form = UploadForm(sent(request), request.FILES if request.method == "POST" else None, user=request.user)
    if request.method == "POST" and form.is_valid():
        try:
            upload = uploads.receive(
                by=request.user,
                at=timezone.now(),
                plant=form.plant(),
                file=form.cleaned_data["file"],
                limit_bytes=settings.UPLOAD_LIMIT_BYTES,
            )
        except Refused as refusal:
            tell(form, refusal)
        else:
            return redirect("production:upload", upload_id=upload.pk)
    files = Upload.objects.for_user(request.user).select_related("by", "job")
    causes = SpoilageCause.objects.for_user(request.user).order_by("code").values_list("code", flat=True)
    context = {
        "form": form,
        "page": listing.page_of(files, request.GET.get("page", "1")),
        "heading": exporting.heading(list(dict.fromkeys(causes))),
        "limit_mb": settings.UPLOAD_LIMIT_BYTES // 1_000_000,
    }
    return render(request, "production/uploads.html", context, status=422 if request.method == "POST" else 200)


@needs(Permission.ENTER_COUNTS)
@require_GET
def one(request: Request, upload_id: int) -> HttpResponse:
    """Show what is in a file and what became of it; asked by htmx, only how far the work is."""
    return _page(request, _find(request, upload_id))


def _page(request: Request, upload: Upload, status: int = 200, **more: Any) -> HttpResponse:
    now = timezone.now()
    waits = upload.job is not None and upload.job.state == upload.job.State.WAITING
    shifts = dict(Shift.objects.filter(plant=upload.plant_id).values_list("pk", "code"))
    context = {
        "upload": upload,
        "works": uploads.works(upload, now),
        "no_worker": waits and not health.worker(now).ok,
        "order_form": OrderForm(),
        "shown_problems": SHOWN_PROBLEMS,
        "changes": [_shown(change, shifts) for change in upload.changes],
        **more,
    }
    template = "production/upload.html"
    return render(request, f"{template}#state" if request.htmx else template, context, status=status)


def _shown(change: dict[str, Any], shifts: dict[int, str]) -> dict[str, Any]:
    differences = listing.differences(change["before"], change["after"])
    return {**change, "shift": shifts.get(change["shift_id"], ""), "differences": differences}


@needs(Permission.ENTER_COUNTS)
@require_POST
def store(request: Request, upload_id: int) -> HttpResponse:
    """Store the good rows, or finish storing them."""
    upload = _find(request, upload_id)
    form = StoreForm(request.POST)
    agreed = form.cleaned_data if form.is_valid() else {}
    try:
        uploads.store(by=request.user, at=timezone.now(), upload=upload, **agreed)
    except Refused as refusal:
        upload.refresh_from_db()
        return _page(request, upload, refusal.status, refusal=refusal)
    return redirect("production:upload", upload_id=upload.pk)


@needs(Permission.ENTER_COUNTS)
@require_POST
def read_again(request: Request, upload_id: int) -> HttpResponse:
    """Read a kept file again; with it may come the answer to which comes first, day or month."""
    upload = _find(request, upload_id)
    form = OrderForm(request.POST)
    if "date_order" in request.POST and not form.is_valid():
        return _page(request, upload, 422, order_form=form)
    order = form.cleaned_data.get("date_order", "") if form.is_valid() else ""
    uploads.read_again(by=request.user, at=timezone.now(), upload=upload, date_order=order)
    return redirect("production:upload", upload_id=upload.pk)


@needs(Permission.ENTER_COUNTS)
@require_POST
def cancel(request: Request, upload_id: int) -> HttpResponse:
    """Stop reading or storing."""
    upload = uploads.cancel(by=request.user, at=timezone.now(), upload=_find(request, upload_id))
    if upload.state == Upload.State.CANCELLED:
        messages.success(request, "Cancelled.")
    return redirect("production:upload", upload_id=upload.pk)


@needs(Permission.ENTER_COUNTS)
@require_GET
def original(request: Request, upload_id: int) -> HttpResponseBase:
    """Send a file back as it came."""
    upload = _find(request, upload_id)
    path = Path(upload.file.path) if upload.file else None
    if path is None or not path.is_file():
        raise Http404
    return FileResponse(
        path.open("rb"), as_attachment=True, filename=upload.name, content_type="application/octet-stream"
    )


@needs(Permission.ENTER_COUNTS)
@require_GET
def problems(request: Request, upload_id: int) -> HttpResponseBase:
    """Send all the bad rows as CSV."""
    upload = _find(request, upload_id)
    path = problems_path(upload) if upload.file else None
    if path is None or not path.is_file():
        raise Http404
    return FileResponse(path.open("rb"), as_attachment=True, filename="bad-rows.csv", content_type="text/csv")


@needs(Permission.ENTER_COUNTS)
@require_GET
def template(request: Request, kind: str) -> HttpResponse:
    """Send the empty table with the plant's own causes."""
    if kind not in TEMPLATES:
        raise Http404
    content_type, make = TEMPLATES[kind]
    causes = SpoilageCause.objects.for_user(request.user).order_by("code").values_list("code", flat=True)
    named = {"Content-Disposition": f'attachment; filename="counts-template.{kind}"'}
    return HttpResponse(make(list(dict.fromkeys(causes))), content_type=content_type, headers=named)
