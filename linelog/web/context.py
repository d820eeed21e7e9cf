"""What every page needs: the menu for this person, the unit they read, whether the plant is invented."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse
from django.utils.functional import SimpleLazyObject

from linelog.web import acting
from linelog.web.permissions import Permission, may
from linelog.web.requests import Request


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the menu."""

    label: str
    name: str
    permission: Permission


MENU = (
    Entry("Machines", "trends:fleet", Permission.VIEW),
    Entry("Visits", "alignment:visits", Permission.VIEW),
    Entry("Counts", "production:counts", Permission.VIEW),
    Entry("Findings", "trends:findings", Permission.VIEW),
    Entry("Evidence", "trends:evidence", Permission.VIEW),
    Entry("Plan", "planning:plan", Permission.VIEW),
    Entry("Reports", "reports:reports", Permission.VIEW),
    Entry("Plant set-up", "plant:setup", Permission.SET_UP),
    Entry("People", "people:people", Permission.PEOPLE),
    Entry("History", "web:history", Permission.HISTORY),
)

# The pages of a machine by the question they answer; every address here takes the machine.
MACHINE_GROUPS: tuple[tuple[str, tuple[Entry, ...]], ...] = (
    (
        "How does it stand?",
        (
            Entry("Stations and trend", "trends:machine", Permission.VIEW),
            Entry("Bushings", "trends:bushings", Permission.VIEW),
            Entry("Hanging ram", "alignment:ram", Permission.VIEW),
        ),
    ),
    (
        "How does it run?",
        (
            Entry("Captures", "alignment:captures", Permission.VIEW),
            Entry("Warm-up", "alignment:warm_up", Permission.VIEW),
            Entry("Static and running", "alignment:reconciled", Permission.VIEW),
            Entry("Tools and wall", "trends:wall", Permission.VIEW),
        ),
    ),
    ("What does it cost?", (Entry("Evidence", "trends:machine_evidence", Permission.VIEW),)),
    (
        "What was found?",
        (
            Entry("Findings", "trends:machine_findings", Permission.VIEW),
            Entry("Signals", "trends:machine_signals", Permission.VIEW),
        ),
    ),
    (
        "What next?",
        (
            Entry("Next visit", "planning:machine", Permission.VIEW),
            Entry("Common line", "alignment:line", Permission.VIEW),
        ),
    ),
)

EVIDENCE_MENU = (
    Entry("Misalignment and rates", "trends:evidence", Permission.VIEW),
    Entry("Before and after", "trends:before_after", Permission.VIEW),
    Entry("Signals", "trends:signals", Permission.VIEW),
    Entry("Ranking", "trends:ranking", Permission.VIEW),
    Entry("Repeat problems", "trends:repeats", Permission.VIEW),
    Entry("Pareto", "trends:pareto", Permission.VIEW),
    Entry("Risk, said and found", "trends:said", Permission.VIEW),
)


def _url(name: str, *args: int) -> str | None:
    try:
        return reverse(name, args=args)
    except NoReverseMatch:
        return None


def places(menu: tuple[Entry, ...], user: Any, path: str, *args: int) -> list[dict[str, Any]]:
    """Return the entries of a second menu that this person may open, each with whether it is the current one."""
    found = [(entry, _url(entry.name, *args)) for entry in menu if may(user, entry.permission)]
    return [{"label": entry.label, "url": url, "here": path == url} for entry, url in found if url]


def groups(user: Any, path: str, *args: int) -> list[dict[str, Any]]:
    """Return the groups of a machine's pages, each leading to its first page, with the pages of the current one."""
    found = []
    for label, entries in MACHINE_GROUPS:
        pages = places(entries, user, path, *args)
        if pages:
            found.append(
                {"label": label, "url": pages[0]["url"], "here": any(one["here"] for one in pages), "pages": pages}
            )
    return found


def page(request: HttpRequest) -> dict[str, Any]:
    """Return what every page needs; a fragment that shows no menu makes none."""
    user = getattr(request, "user", None)
    return {
        "menu": SimpleLazyObject(lambda: _menu(request, user)),
        "plant": getattr(user, "plant", None),
        "tablet": _tablet(cast(Request, request)),
        "may_log_visits": may(user, Permission.LOG_VISIT),
    }


def _menu(request: HttpRequest, user: Any) -> list[dict[str, Any]]:
    """Return the menu entries this person may open, each with whether it is the current one."""
    menu = []
    for entry in MENU:
        url = _url(entry.name)
        if url and may(user, entry.permission):
            here = request.path == url or (url != "/" and request.path.startswith(url))
            menu.append({"label": entry.label, "url": url, "here": here})
    return menu


def _tablet(request: Request) -> dict[str, Any] | None:
    """Return the idle times of a shared tablet, None on any other device."""
    if getattr(request, "tablet_id", None) is None:
        return None
    idle = int(acting.timeout(request.user.plant).total_seconds())
    return {"idle_seconds": idle, "warn_seconds": min(60, idle // 2)}
