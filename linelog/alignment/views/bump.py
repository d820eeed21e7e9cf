"""The page of a ring's bump test."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from linelog.alignment.captures.bumped import bumped_setup, wrong_words
from linelog.alignment.captures.setting import ring_of
from linelog.alignment.forms.bump import BumpForm
from linelog.alignment.models import ProbeSetup
from linelog.alignment.services.bump import record_bump
from linelog.plant.requests import Request
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, needs

MOST_TESTS = 10


@needs(Permission.LOG_VISIT)
@require_http_methods(["GET", "POST"])
def bump(request: Request, setup_id: int) -> HttpResponse:
    """Ask what each reading did, and tell what that says of the ring."""
    mine = ProbeSetup.objects.for_user(request.user).select_related("machine__line__plant", "station")
    setup: ProbeSetup = get_object_or_404(mine, pk=setup_id)
    form, status = BumpForm(request.POST or None, setup=setup), 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            now, version = timezone.now(), form.cleaned_data["version"]
            try:
                record_bump(by=request.user, at=now, setup=setup, version=version, seen=form.seen())
                return redirect("alignment:probe_bump", setup.pk)
            except Refused as refusal:
                form.add_error(None, refusal.message)
                status = refusal.status
    tests = list(setup.bump_tests.select_related("by")[:MOST_TESTS])
    context = {
        "setup": setup,
        "machine": setup.machine,
        "form": form,
        "bumped": bumped_setup(setup, ring_of(setup, setup.probes.all())),
        "tests": [(test, "" if test.right else wrong_words(test)) for test in tests],
    }
    return render(request, "alignment/bump.html", context, status=status)
