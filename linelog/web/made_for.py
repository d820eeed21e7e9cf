"""For whom a page was made: it says so with everything it sends, and nothing is done in anybody else's name.

`{% csrf_token %}` puts the person into every form (`templatetags/forms.py`), `hx-headers` on the body into every
request of htmx. On a shared tablet what says nothing is refused too; elsewhere the token alone, which changes at
each sign-in, tells an old page.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, TypeVar
from urllib.parse import urlsplit

from django.contrib.auth import get_user_model
from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from linelog.web import acting, errors
from linelog.web.errors import Conflict

FIELD, HEADER, NOBODY = "made_for", "X-Person", "nobody"
NOT_TYPED = frozenset({FIELD, "csrfmiddlewaretoken", "version", "next", "why", "key", "seen", "meant"})
SECRET = re.compile(r"password|(^|_)pin($|_|\d)", re.IGNORECASE)
MOST_SHOWN = 200
View = TypeVar("View", bound=Callable[..., Any])


def changes_hands(view: View) -> View:
    """Mark a view that only lets somebody in or out: it may be asked from any page."""
    vars(view)["changes_hands"] = True
    return view


def mark_of(user: Any) -> str:
    """Return what a page says of the person it is made for."""
    return str(getattr(user, "pk", None) or NOBODY)


def claimed(request: HttpRequest) -> set[str]:
    """Return for whom the page that asks was made, by its own word; empty where it says nothing."""
    said = {request.headers.get(HEADER, "")}
    if request.method == "POST":
        said.add(request.POST.get(FIELD, ""))
    return said - {""}


def trouble(request: HttpRequest, view: Any) -> Conflict | None:
    """Say so where a page would act for somebody it was not made for."""
    if getattr(view, "changes_hands", False):
        return None
    others = claimed(request) - {mark_of(request.user)}
    if not others:
        return None
    if not request.user.is_authenticated and getattr(request, "htmx", False):
        return None  # led to the sign-in or PIN page as a whole; a queue keeps what it has
    return Conflict(_sentence(request, others.pop()))


def silence(request: HttpRequest, view: Any) -> Conflict | None:
    """Say so where a shared tablet sends something that does not tell whose page it comes from."""
    asked: Any = request
    if request.method != "POST" or asked.tablet_id is None or not request.user.is_authenticated:
        return None
    if getattr(view, "changes_hands", False) or claimed(request):
        return None
    return Conflict("This page does not say for whom it was made: open it anew, then send it in your own name.")


def _sentence(request: HttpRequest, mark: str) -> str:
    now: Any = request.user
    whose = _name(mark, getattr(request, "device", now))
    if not now.is_authenticated:
        return f"This page was made for {whose}, and nobody is signed in now. Nothing of it was stored."
    return (
        f"This page was made for {whose}, and {now} is signed in now. Nothing of it was stored: open it anew to go "
        "on in your own name."
    )


def _name(mark: str, device: Any) -> str:
    """Return the name behind a mark, where it is one of this device's own plant."""
    if mark == NOBODY:
        return "nobody"
    if not device.is_authenticated or not mark.isascii() or not mark.isdigit() or len(mark) > 18:
        return "somebody else"
    people: Any = get_user_model().objects
    return str(people.filter(pk=int(mark), plant_id=device.plant_id).first() or "somebody else")


def typed(request: HttpRequest) -> list[tuple[str, str]]:
    """Return what was typed on a page that is refused, by field, so that nothing of it is lost; secrets left out."""
    if request.method != "POST":
        return []
    shown = []
    for name, values in request.POST.lists():
        given = ", ".join(value for value in values if isinstance(value, str) and value.strip())
        if given and name not in NOT_TYPED and not SECRET.search(name):
            shown.append((name.replace("_", " "), given[:4000]))
    shown += [(name.replace("_", " "), str(file)) for name, file in request.FILES.items()]
    return shown[:MOST_SHOWN]


def refused(request: HttpRequest, conflict: Conflict) -> HttpResponse:
    """Show the refusal with what was typed; on a page of htmx beside it, which stays as it is."""
    if getattr(request, "htmx", False):
        answer = errors.refused_page(request, conflict)
        answer["HX-Retarget"], answer["HX-Reswap"] = "#trouble", "innerHTML"
        return answer
    more: dict[str, Any] = {"typed": typed(request), "back": _back(request)}
    return errors.error_page(request, conflict.status, "Not your page", conflict.message, **more)


def _back(request: HttpRequest) -> str:
    """Where to go on: the page anew, past the sign-in or the PIN where nobody acts."""
    try:
        page = urlsplit(request.headers.get("Referer", "")).path
    except ValueError:
        page = ""
    if request.user.is_authenticated:
        return page or acting.HOME
    return acting.back_to(acting.pin_url() if acting.waits_for_pin(request) else reverse("web:sign_in"), page)
