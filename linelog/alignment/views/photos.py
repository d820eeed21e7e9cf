"""Photos of a visit."""

from __future__ import annotations

from django.http import FileResponse, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from linelog.alignment.forms.visit import PhotoForm
from linelog.alignment.models import Photo
from linelog.alignment.queries import visits_for
from linelog.alignment.services.photos import add_photo
from linelog.alignment.views.visits import visit_page
from linelog.plant.requests import Request
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, needs
from linelog.web.requests import typed_at


@require_POST
@needs(Permission.LOG_VISIT)
def add(request: Request, visit_id: int) -> HttpResponse:
    """Keep a photo with the visit, or say why it can't be."""
    visit = get_object_or_404(visits_for(request.user), pk=visit_id)
    form = PhotoForm(request.POST, request.FILES)
    if form.is_valid():
        try:
            now = timezone.now()
            add_photo(
                by=request.user,
                visit=visit,
                station=None,
                upload=form.cleaned_data["photo"],
                caption=form.cleaned_data["caption"],
                at=now,
                taken_at=typed_at(request, now),
            )
            if request.htmx:  # a tablet's queue: the photos there are now
                photos = visit.photos.select_related("station", "by")
                context = {"visit": visit, "photos": photos, "photo_form": PhotoForm(), "may_log": True}
                return render(request, "alignment/visit.html#photos", context)
            return redirect("alignment:visit", visit.pk)
        except Refused as refusal:
            form.add_error("photo", refusal.message)
    return visit_page(request, visit, status=422, photo_form=form)


@require_GET
@needs(Permission.VIEW)
def show(request: Request, photo_id: int) -> HttpResponseBase:
    """Send a photo of the person's own plant."""
    photo = get_object_or_404(Photo.objects.for_user(request.user), pk=photo_id)
    response = FileResponse(photo.file.open("rb"), content_type="image/jpeg")
    response["Cache-Control"] = "private, max-age=86400, immutable"
    return response
