"""The people pages: the list, one person, and one's own page."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.plant import people
from linelog.plant.models import Person
from linelog.plant.people_forms import NewPersonForm, PasswordForm, PersonForm, PinForm, UnitForm
from linelog.web import acting
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.permissions import Permission, needs
from linelog.web.requests import Request


@needs(Permission.PEOPLE)
@require_GET
def everybody(request: HttpRequest) -> HttpResponse:
    """List the people this person keeps."""
    return render(request, "plant/people.html", {"people": people.keepable(request.user)})


@needs(Permission.PEOPLE)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def add(request: HttpRequest) -> HttpResponse:
    """Add a person."""
    form = NewPersonForm(request.POST if request.method == "POST" else None, by=request.user)
    if request.method == "POST" and form.is_valid():
        facts, first_password = form.facts(request.user), form.cleaned_data["password"]
        try:
            person = people.add(by=request.user, at=timezone.now(), password=first_password, facts=facts)
        except Refused as refusal:
            _tell(form, refusal)
        else:
            messages.success(request, f"{person} is added. Set a PIN here for the shared tablets.")
            return redirect("people:person", person_id=person.pk)
    status = 422 if request.method == "POST" else 200
    return render(request, "plant/people_add.html", {"form": form}, status=status)


@needs(Permission.PEOPLE)
@require_http_methods(["GET", "POST"])
def person(request: HttpRequest, person_id: int) -> HttpResponse:
    """Show one person, and change what is known of them."""
    who = get_object_or_404(people.keepable(request.user), pk=person_id)
    if request.method == "GET":
        return _page(request, who)
    form = PersonForm(request.POST, by=request.user)
    if not form.is_valid():
        return _page(request, who, status=422, form=form)
    facts, version = form.facts(request.user), form.cleaned_data["version"]
    try:
        people.change(by=request.user, at=timezone.now(), person_id=who.pk, version=version, facts=facts)
    except Conflict as conflict:
        form.data = {**request.POST.dict(), "version": conflict.theirs.version}
        return _page(request, who, status=409, form=form, conflict=conflict)
    except Refused as refusal:
        _tell(form, refusal)
        return _page(request, who, status=refusal.status, form=form)
    messages.success(request, "Stored.")
    return redirect("people:person", person_id=who.pk)


@needs(Permission.PEOPLE)
@sensitive_post_parameters("password", "own_password")
@require_POST
def password(request: Request, person_id: int) -> HttpResponse:
    """Set a person's password."""
    who = get_object_or_404(people.keepable(request.user), pk=person_id)
    form = PasswordForm(request.POST, request=request)
    status = _set_password(request, who, form)
    if status != 200:
        return _page(request, who, status=status, password_form=form)
    messages.success(request, f"{who} has a new password; every session of theirs has ended.")
    return redirect("people:person", person_id=who.pk)


@needs(Permission.PEOPLE)
@sensitive_post_parameters("pin", "own_password")
@require_POST
def pin(request: HttpRequest, person_id: int) -> HttpResponse:
    """Set a person's PIN."""
    who = get_object_or_404(people.keepable(request.user), pk=person_id)
    form = PinForm(request.POST, request=request)
    status = _set_pin(request, who, form)
    if status != 200:
        return _page(request, who, status=status, pin_form=form)
    messages.success(request, f"{who} has a new PIN.")
    return redirect("people:person", person_id=who.pk)


@needs(Permission.PEOPLE)
@require_POST
def clear_pin(request: HttpRequest, person_id: int) -> HttpResponse:
    """Take a person's PIN away."""
    who = get_object_or_404(people.keepable(request.user), pk=person_id)
    people.clear_pin(by=request.user, at=timezone.now(), person=who)
    messages.success(request, f"{who} has no PIN now.")
    return redirect("people:person", person_id=who.pk)


@needs(Permission.VIEW)
@require_http_methods(["GET", "POST"])
def me(request: HttpRequest) -> HttpResponse:
    """Show one's own page, and choose the unit."""
    who = _oneself(request)
    if request.method == "GET":
        return _own_page(request, who)
    form = UnitForm(request.POST)
    if not form.is_valid():
        return _own_page(request, who, status=422, unit_form=form)
    people.set_unit(by=who, at=timezone.now(), unit=form.cleaned_data["unit"])
    messages.success(request, "Stored.")
    return redirect("people:me")


@needs(Permission.VIEW)
@sensitive_post_parameters("password", "own_password")
@require_POST
def my_password(request: Request) -> HttpResponse:
    """Set one's own password."""
    who, form = _oneself(request), PasswordForm(request.POST, request=request)
    status = _set_password(request, who, form)
    if status != 200:
        return _own_page(request, who, status=status, password_form=form)
    messages.success(request, "Your password is new; your sessions elsewhere have ended.")
    return redirect("people:me")


@needs(Permission.VIEW)
@sensitive_post_parameters("pin", "own_password")
@require_POST
def my_pin(request: HttpRequest) -> HttpResponse:
    """Set one's own PIN."""
    who, form = _oneself(request), PinForm(request.POST, request=request)
    status = _set_pin(request, who, form)
    if status != 200:
        return _own_page(request, who, status=status, pin_form=form)
    messages.success(request, "Your PIN is new.")
    return redirect("people:me")


def _oneself(request: HttpRequest) -> Person:
    if not isinstance(request.user, Person):
        raise NotAllowed("Sign in first.")
    return request.user


def _set_password(request: Request, who: Person, form: PasswordForm) -> int:
    """Set the password, or leave on the form what was wrong; the answer is the status of the page."""
    if not form.is_valid():
        return 422
    try:
        people.set_password(by=request.user, at=timezone.now(), person=who, password=form.cleaned_data["password"])
    except Refused as refusal:
        _tell(form, refusal)
        return refusal.status
    if who.pk == request.device.pk:  # the session is this account's own: keep it
        update_session_auth_hash(request, who)
    return 200


def _set_pin(request: HttpRequest, who: Person, form: PinForm) -> int:
    """Set the PIN, or leave on the form what was wrong; the answer is the status of the page."""
    if not form.is_valid():
        return 422
    try:
        people.set_pin(by=request.user, at=timezone.now(), person=who, pin=form.cleaned_data["pin"])
    except Refused as refusal:
        _tell(form, refusal)
        return refusal.status
    acting.still_proven(request.session, who)
    return 200


def _tell(form: Any, refusal: Refused) -> None:
    form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)


def _page(request: HttpRequest, who: Person, *, status: int = 200, **more: Any) -> HttpResponse:
    page = {
        "who": who,
        "form": PersonForm(instance=who, initial={"version": who.version}, by=request.user),
        "password_form": PasswordForm(request=request, prefix=None),
        "pin_form": PinForm(request=request),
        **more,
    }
    return render(request, "plant/people_person.html", page, status=status)


def _own_page(request: HttpRequest, who: Person, *, status: int = 200, **more: Any) -> HttpResponse:
    page = {
        "who": who,
        "unit_form": UnitForm(initial={"unit": who.unit}),
        "password_form": PasswordForm(request=request),
        "pin_form": PinForm(request=request),
        **more,
    }
    return render(request, "plant/people_me.html", page, status=status)
