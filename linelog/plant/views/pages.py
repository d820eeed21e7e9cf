"""What the views of the set-up share: one page that adds or changes a record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from linelog.plant.forms.base import SetUpForm
from linelog.plant.models import Plant
from linelog.plant.requests import Request

Make = Callable[[QueryDict | None], SetUpForm]


class VersionForm(SetUpForm):
    """A button that only needs to know which version was seen."""


@dataclass(frozen=True, slots=True)
class Page:
    """A page with one form: its heading, where it leads back to, and what more its template shows."""

    title: str
    back: str
    back_words: str = "Leave it"
    lead: str = ""
    button: str = "Store"
    template: str = "plant/form.html"
    removable: bool = False
    more: Callable[[], dict[str, Any]] = field(default=dict)


def rows_of(request: Request, model: Any, *related: str) -> QuerySet[Any]:
    """Return the rows that this person may set up."""
    found: QuerySet[Any] = model.objects.for_user(request.user)
    return found.select_related(*related) if related else found


def plant_or_404(request: Request, plant_id: int) -> Plant:
    """Return a plant that is this person's to set up."""
    plant: Plant = get_object_or_404(Plant.objects.for_user(request.user), pk=plant_id)
    return plant


def overview_url(plant: Plant) -> str:
    """Where the plant's overview is."""
    return reverse("plant:plant", args=[plant.pk])


def show(request: Request, page: Page, form: SetUpForm, *, status: int = 200, going: Any = None) -> HttpResponse:
    """Render the page of a form; `going` is a removal that was refused."""
    context = {"page": page, "form": form, "going": going, **page.more()}
    return render(request, page.template, context, status=status)


def keep(
    request: Request,
    page: Page,
    make: Make,
    store: Callable[[Any], Any],
    *,
    then: Callable[[Any], str] | None = None,
    remove: Callable[[int], Any] | None = None,
) -> HttpResponse:
    """Show a form; on a POST store what it says, or remove the record, and go on to the next page."""
    if request.method != "POST":
        return show(request, page, make(None))
    if remove and "remove" in request.POST:
        return _removed(request, page, make, remove)
    form, kept = make(request.POST), []
    if form.attempt(lambda: kept.append(store(form))):
        messages.success(request, "Stored.")
        return redirect(then(kept[0]) if then else page.back)
    return show(request, page, form, status=form.status)


def _removed(request: Request, page: Page, make: Make, remove: Callable[[int], Any]) -> HttpResponse:
    going = VersionForm(request.POST)
    if going.attempt(lambda: remove(going.cleaned_data["version"])):
        messages.success(request, "Removed; the history keeps what it was.")
        return redirect(page.back)
    return show(request, page, make(None), status=going.status, going=going)
