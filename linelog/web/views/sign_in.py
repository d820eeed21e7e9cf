"""Sign-in and sign-out of an account, by name and password."""

from __future__ import annotations

from django.contrib.auth import login, logout
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from linelog.web import acting, signins
from linelog.web.forms import SignInForm
from linelog.web.made_for import changes_hands
from linelog.web.permissions import Permission, needs
from linelog.web.requests import Request


@needs(Permission.PUBLIC)
@changes_hands
@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    """Ask for name and password; a shared tablet goes on to the PIN page, everybody else to the machines."""
    form = SignInForm(request, data=request.POST if request.method == "POST" else None)
    wanted = request.POST.get("next") or request.GET.get("next") or ""
    if request.method == "POST" and form.is_valid():
        person = form.get_user()
        request.session.flush()  # nothing of an earlier person or of a shared tablet may stay in it
        login(request, person)
        tablet = signins.signed_in(person=person, shared=form.cleaned_data["shared"], at=timezone.now())
        if tablet is not None:
            acting.make_shared(request.session, tablet)
            return redirect(acting.pin_url())
        return redirect(acting.landing(request, person, wanted))
    if request.method == "POST":
        locked = bool(getattr(request, "axes_locked_out", False))
        signins.failed(username=form.cleaned_data.get("username", ""), locked=locked, at=timezone.now())
    page = {"form": form, "next": wanted}
    return render(request, "web/sign_in.html", page, status=422 if request.method == "POST" else 200)


@needs(Permission.SIGNED_IN)
@changes_hands
@require_POST
def sign_out(request: Request) -> HttpResponse:
    """End the session of the account, and with it that of a shared tablet."""
    signins.signed_out(person=request.device, at=timezone.now())
    logout(request)
    response = redirect("web:sign_in")
    response["Clear-Site-Data"] = '"cache"'  # photos; never "storage", where readings may wait to be sent
    return response
