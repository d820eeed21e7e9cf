"""The entry screen of a station."""

from __future__ import annotations

import json
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_GET

from linelog.alignment.bushings import bushing_page, old_sweep
from linelog.alignment.computing import compute
from linelog.alignment.forms.bushing import ClearanceForm, FittedForm, PositionForm
from linelog.alignment.forms.sweep import MoveForm, NoteForm, SweepForm
from linelog.alignment.forms.visit import RunningForm
from linelog.alignment.limits import in_force
from linelog.alignment.lockout import status_of
from linelog.alignment.measured import Measured
from linelog.alignment.models import Stage, Visit
from linelog.alignment.on_tablet import on_tablet
from linelog.alignment.pages import StationPage, station_page
from linelog.alignment.place import offline_urls, place_from, same_page
from linelog.alignment.queries import stations_of, sweeps_of, visits_for
from linelog.alignment.services.bushings import wear_limit_um
from linelog.alignment.signing.names import as_signed
from linelog.alignment.views.lockouts import lockout_context
from linelog.plant.models import Station
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.keeping import keep
from linelog.web.permissions import Permission, may, needs

TEMPLATE = "alignment/station.html"


def visit_and_station(request: Request, visit_id: int, station_id: int) -> tuple[Visit, Station]:
    """Return both, or 404 where they are not of this person's plant or not of each other."""
    visit = get_object_or_404(visits_for(request.user), pk=visit_id)
    station = get_object_or_404(Station.objects.for_user(request.user), pk=station_id, machine_id=visit.machine_id)
    station.machine = visit.machine
    as_signed(visit, [station])
    return visit, in_force(visit, [station])[0]


def repeat_from(text: str) -> int:
    """Return the repeat asked for, 1 where it makes no sense."""
    return int(text) if text.isdecimal() and len(text) == 1 and text != "0" else 1


def the_page(request: Request, visit: Visit, station: Station, measured: Measured | None = None) -> StationPage:
    """Put the screen together for the place in the address, from what is in hand where anything is."""
    return station_page(
        visit=visit,
        place=place_from(station, request.GET),
        user=request.user,
        at=visit.signed_at or timezone.now(),  # what is signed is told by what was known then
        repeat=repeat_from(request.GET.get("repeat", "1")),
        measured=measured,
    )


def context_of(request: Request, page: StationPage, *, part: str = "", **forms: Any) -> dict[str, Any]:
    """Return what the template needs, with fresh forms where none are handed back.

    The answer to a typed reading, the one that must be quick, shows no form.
    """
    may_log = page.visit.is_open and may(request.user, Permission.LOG_VISIT)
    made_at = timezone.now().timestamp()
    waits = bool(forms.get("said", {}).get("waits"))
    # An accepted reading says that the lockout stands; nothing is asked of the database for it.
    needs_lockout = waits if part == "answer" else _needs_lockout(page.visit)
    return {
        "page": page,
        "visit": page.visit,
        "station": page.station,
        "may_log": may_log,
        "needs_lockout": may_log and needs_lockout,
        "made_at": f"{made_at:.6f}",
        "may_type": may_log and not (needs_lockout or page.visit.machine_runs or page.station.is_bushing),
        **(bushing_context(request, page, may_log=may_log)),
        **(lockout_context(request, page.visit) if waits or part in {"", "screen"} else {}),
        **({} if part == "answer" else _fresh_forms(request, page)),
        **forms,
    }


def bushing_context(request: Request, page: StationPage, *, may_log: bool) -> dict[str, Any]:
    """Return what the cards of a bushing need; nothing at another station."""
    station, stage, plant = page.station, page.place.stage, page.visit.machine.line.plant
    if not station.is_bushing:
        return {}
    unit = units.of(request.user)
    shown = bushing_page(page.visit, station, stage, unit, wear_limit_um(station, plant))
    step = plant.indicator_resolution_um
    rows = sweeps_of(page.visit, station)
    swept = [compute(station=station, stage=each, plant=plant, rows=rows) for each in Stage.values]
    old = [old_sweep(one.stage, outcome) for one in swept for outcome in one.seats.values()]
    measure = {name: page.ways.url(name) for name in ("clearance", "position", "fitted")}
    return {
        "bushing": shown,
        "headline": shown.headline,
        "bushing_urls": measure,
        "old_sweeps": [one for one in old if one is not None],
        "may_measure": may_log and not page.visit.machine_runs,
        "clearance_form": ClearanceForm(unit=unit, initial=ClearanceForm.initial_of(shown.clearance, stage, step)),
        "position_form": PositionForm(unit=unit, initial=PositionForm.initial_of(shown.position, stage, station)),
        "fitted_form": FittedForm(initial=FittedForm.initial_of(shown.fitted)),
    }


def _needs_lockout(visit: Visit) -> bool:
    return not (visit.machine_runs or visit.from_paper) and not status_of(visit, timezone.now()).stands


def _fresh_forms(request: Request, page: StationPage) -> dict[str, Any]:
    unit = units.of(request.user)
    sweep_form = SweepForm(kind=page.place.kind, unit=unit, initial=SweepForm.initial_of(page.sweep))
    note = {"note": page.note.note, "version": page.note.version} if page.note else {"note": "", "version": 0}
    return {
        "sweep_form": sweep_form,
        "confirm_form": [field for field in sweep_form if field.value() not in (None, "", False)],
        "move_form": MoveForm(station=page.station, unit=unit),
        "note_form": NoteForm(initial=note),
        "running_form": RunningForm(unit=unit, view=page.view, initial=_seen_running(page)),
        "on_tablet": json.dumps(
            on_tablet(page.sweep, page.station, page.visit.machine.line.plant, page.reader, page.target)
        ),
    }


def _seen_running(page: StationPage) -> dict[str, int]:
    rows = page.visit.running_readings.filter(station=page.station).values_list("stage", "version")
    return {f"seen_{stage}": version for stage, version in rows}


@require_GET
@needs(Permission.VIEW)
def page(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Show the entry screen; on a signed visit, or to a viewer, the same without fields."""
    visit, station = visit_and_station(request, visit_id, station_id)
    shown = the_page(request, visit, station)
    context = context_of(request, shown)
    if context["may_log"]:
        context["keep_urls"] = offline_urls(visit, stations_of(visit.machine))
    response = render(request, TEMPLATE, context)
    also = same_page(visit, shown.place) if shown.repeat == 1 else []
    return keep(request, response, also=also) if visit.is_open else response
