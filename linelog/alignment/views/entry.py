"""What is sent from the entry screen; each answers with the fragment that changed."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from linelog.alignment.at_hand import AtHand
from linelog.alignment.forms.sweep import MoveForm, NoteForm, ReadingForm, SweepForm, pieces_typed
from linelog.alignment.forms.visit import RunningForm
from linelog.alignment.measured import Measured, in_hand
from linelog.alignment.models import Visit
from linelog.alignment.offers import offer_seen
from linelog.alignment.place import Place, place_from, place_url
from linelog.alignment.services import moves, readings
from linelog.alignment.views.station import TEMPLATE, context_of, repeat_from, the_page, visit_and_station
from linelog.calc.readings import View
from linelog.plant.models import Station
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, needs
from linelog.web.requests import typed_at


def _key(request: Request) -> str:
    return (request.headers.get("X-Write-Key") or request.POST.get("key") or "")[:64]


def _back(request: Request, visit: Visit, station: Station) -> HttpResponse:
    """Lead a plain POST back to the screen it came from."""
    place = place_from(station, request.GET)
    return redirect(place_url("alignment:station", visit, place, repeat=repeat_from(request.GET.get("repeat", "1"))))


def _answer(
    request: Request,
    visit: Visit,
    station: Station,
    part: str,
    status: int = 200,
    *,
    version: int | None = None,
    measured: Measured | None = None,
    **more: Any,
) -> HttpResponse:
    """Answer htmx with the fragment; a plain POST with the page (refused) or the way back to it.

    `version` is the one that stands now: a tablet with more to send for the same field, or to decide between two
    versions, learns it from a header, and from another one when this answer was made. `measured` is what the
    service has in hand, where that is all that the fragment shows.
    """
    at = timezone.now()
    if not request.htmx and status == 200:
        return _back(request, visit, station)
    page = the_page(request, visit, station, measured)
    if "typed" in more:
        position = more["position"] = page.position_of(more.pop("typed"))
        if position and "said" in more:
            more["said"]["slot"] = position.slot
    template = f"{TEMPLATE}#{part}" if request.htmx else TEMPLATE
    context = context_of(request, page, part=part if request.htmx else "", **more)
    response = render(request, template, context, status=status)
    response["X-At"] = f"{at.timestamp():.6f}"
    if version is not None:
        response["X-Version"] = str(version)
    return response


class _Typed:
    """A reading as it was sent: read once its sweep is in hand, and what is to be said of it."""

    def __init__(self, request: Request) -> None:
        self.request = request
        self.form: ReadingForm | None = None
        said = {"text": request.POST.get("value", "")[:24], "version": request.POST.get("version", "0")}
        self.said: dict[str, Any] = said

    def __call__(self, hand: AtHand, place: Place) -> readings.Typed:
        """Read it; refused where it cannot be a reading, or asks for an answer first."""
        self.form = form = ReadingForm(
            self.request.POST,
            unit=units.of(self.request.user),
            resolution_um=hand.sweep_of(place.seat, place.kind).resolution_um,
            thousandths=hand.plant.types_thousandths,
        )
        self.said["unit"] = form.unit.value
        if form.is_valid():
            return form.typed()
        text = self.said["text"].strip()
        self.said |= {"asks": bool(form.question), "answers": form.answers}
        self.said["yes"] = f"Yes, {text} {form.unit.label}"
        raise Refused(str(next(iter(form.errors.values()))[0]))


@require_POST
@needs(Permission.LOG_VISIT)
def reading(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Save one typed reading and answer with what the sweep now comes to."""
    now, typed = timezone.now(), _Typed(request)
    status, version, said = 200, None, typed.said
    try:
        saved = readings.save_reading(
            by=request.user,
            visit_id=visit_id,
            station_id=station_id,
            asked=request.GET,
            typed=typed,
            at=now,
            typed_at=typed_at(request, now),
            key=_key(request),
        )
        version = saved.version
        if saved.hand is not None and saved.found is not None:
            measured = in_hand(saved.hand, saved.found, timezone.now())
            hand = saved.hand
            return _answer(
                request, hand.visit, hand.station, "answer", version=version, measured=measured, typed=request.POST
            )
        said = {}
    except Visit.DoesNotExist:
        raise Http404 from None
    except Conflict as conflict:
        theirs, status = conflict.theirs, 409
        version = theirs.version if theirs else 0
        said["seen"] = typed.form.cleaned_data["version"] if typed.form else 0
        said |= {"error": conflict.message, "conflict": True, "version": version, "theirs": theirs}
    except Refused as refusal:
        status = refusal.status
        said |= {"error": refusal.message, "waits": refusal.field == "lockout", "moved": refusal.field == "stage"}
    visit, station = visit_and_station(request, visit_id, station_id)
    more: dict[str, Any] = {"typed": request.POST, **({"said": said} if said else {})}
    return _answer(request, visit, station, "answer", status, version=version, **more)


@require_POST
@needs(Permission.LOG_VISIT)
def sweep(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Change how the sweep is made."""
    visit, station = visit_and_station(request, visit_id, station_id)
    place = place_from(station, request.GET)
    form = SweepForm(request.POST, kind=place.kind, unit=units.of(request.user))
    status, version = 422, None
    more: dict[str, Any] = {"sweep_form": form, "set_up_open": True}
    if form.is_valid():
        try:
            version = readings.set_up_sweep(
                by=request.user,
                visit=visit,
                place=place,
                choice=form.choice(),
                version=form.cleaned_data["version"] or 0,
                at=timezone.now(),
                key=_key(request),
            )
            return _answer(request, visit, station, "screen", version=version)
        except Conflict as conflict:
            status, version, more["set_up_theirs"] = 409, conflict.theirs.version, True
            form.data = {**request.POST.dict(), "version": version}
            form.add_error(None, f"{conflict.message} Theirs stands above; 'Use this set-up' takes yours.")
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    return _answer(request, visit, station, "screen", status, version=version, **more)


@require_POST
@needs(Permission.LOG_VISIT)
def accept(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Confirm odd readings."""
    visit, station = visit_and_station(request, visit_id, station_id)
    place = place_from(station, request.GET)
    seen = request.POST.get("seen", "")
    try:
        readings.accept_odd_readings(
            by=request.user, visit=visit, place=place, seen=seen, at=timezone.now(), key=_key(request)
        )
    except Refused as refusal:
        return _answer(request, visit, station, "answer", refusal.status, said={"error": refusal.message})
    return _answer(request, visit, station, "answer")


@require_POST
@needs(Permission.LOG_VISIT)
def move(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Log a move that was made."""
    visit, station = visit_and_station(request, visit_id, station_id)
    form = MoveForm(request.POST, station=station, unit=units.of(request.user))
    if form.is_valid():
        try:
            moves.log_move(
                by=request.user,
                visit=visit,
                station=station,
                done=form.done(),
                at=timezone.now(),
                key=_key(request),
            )
            return _answer(request, visit, station, "moved")
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    return _answer(request, visit, station, "moved", 422, move_form=form)


@require_POST
@needs(Permission.LOG_VISIT)
def advised(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Log one whole move as it was offered, because it was made just so; `seen` says which."""
    visit, station = visit_and_station(request, visit_id, station_id)
    offer = offer_seen(the_page(request, visit, station).advice, request.POST.get("seen", ""))
    now = timezone.now()
    try:
        moves.log_offered(
            by=request.user,
            visit=visit,
            station=station,
            offered=offer.done() if offer else [],
            seen=request.POST.get("seen", ""),
            at=now,
            made_at=typed_at(request, now),
            key=_key(request),
        )
    except Refused as refusal:
        return _answer(request, visit, station, "moved", refusal.status, move_problem=refusal.message)
    return _answer(request, visit, station, "moved")


@require_POST
@needs(Permission.LOG_VISIT)
def move_back(request: Request, visit_id: int, station_id: int, move_id: int) -> HttpResponse:
    """Take a move back that was logged by mistake."""
    visit, station = visit_and_station(request, visit_id, station_id)
    try:
        moves.take_move_back(
            by=request.user, visit=visit, station=station, move_id=move_id, at=timezone.now(), key=_key(request)
        )
    except Refused as refusal:
        return _answer(request, visit, station, "moved", refusal.status, move_problem=refusal.message)
    return _answer(request, visit, station, "moved")


@require_POST
@needs(Permission.LOG_VISIT)
def count_pack(request: Request, visit_id: int, station_id: int, adjuster_id: int) -> HttpResponse:
    """Say which shims lie in a pack, as they were counted."""
    visit, station = visit_and_station(request, visit_id, station_id)
    row = get_object_or_404(station.adjusters, pk=adjuster_id)
    who: dict[str, Any] = {"by": request.user, "at": timezone.now(), "key": _key(request)}
    try:
        pieces = pieces_typed(
            request.POST.get("pieces", ""), units.shown_in(request.POST.get("unit"), units.of(request.user))
        )
        moves.count_pack(visit=visit, station=station, adjuster=row, pieces_um=pieces, **who)
    except Refused as refusal:
        return _answer(request, visit, station, "moved", refusal.status, move_problem=refusal.message)
    return _answer(request, visit, station, "moved")


@require_POST
@needs(Permission.LOG_VISIT)
def untouched(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Say that the station was not touched, or take it back."""
    visit, station = visit_and_station(request, visit_id, station_id)
    try:
        moves.say_not_touched(
            by=request.user,
            visit=visit,
            station=station,
            not_touched=request.POST.get("not_touched") == "1",
            at=timezone.now(),
            key=_key(request),
        )
    except Refused as refusal:
        return _answer(request, visit, station, "moved", refusal.status, move_problem=refusal.message)
    return _answer(request, visit, station, "moved")


@require_POST
@needs(Permission.LOG_VISIT)
def note(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Write the station's note."""
    visit, station = visit_and_station(request, visit_id, station_id)
    form = NoteForm(request.POST)
    if form.is_valid():
        data = form.cleaned_data
        try:
            version = moves.write_note(
                by=request.user,
                visit=visit,
                station=station,
                text=data["note"],
                version=data["version"],
                at=timezone.now(),
                key=_key(request),
            )
            return _answer(request, visit, station, "note", version=version)
        except Conflict as conflict:
            theirs = conflict.theirs
            form = NoteForm({"note": data["note"], "version": theirs.version})
            form.add_error("note", f"{conflict.message} Press save to put yours in its place.")
            more: dict[str, Any] = {"note_form": form, "note_theirs": theirs.note}
            return _answer(request, visit, station, "note", 409, version=theirs.version, **more)
        except Refused as refusal:
            form.add_error("note", refusal.message)
    return _answer(request, visit, station, "note", 422, note_form=form)


@require_POST
@needs(Permission.LOG_VISIT)
def running(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Log a running offset from the plant's own measurement."""
    visit, station = visit_and_station(request, visit_id, station_id)
    form = RunningForm(request.POST, unit=units.of(request.user), view=View(station.view))
    status, version, more = 422, None, {}
    if form.is_valid():
        try:
            version = moves.log_running_value(
                by=request.user,
                visit=visit,
                station=station,
                stage=form.cleaned_data["stage"],
                value=form.value(),
                version=form.version_seen(),
                at=timezone.now(),
                key=_key(request),
            )
            part = "running" if station.is_bushing else "ran"  # elsewhere it leads to a move: shown at once
            return _answer(request, visit, station, part, version=version)
        except Conflict as conflict:
            status, version = 409, conflict.theirs.version if conflict.theirs else 0
            form.data = {**request.POST.dict(), "version": version}
            form.add_error(None, f"{conflict.message} Save it again to put yours in its place.")
            more["running_theirs"] = conflict.theirs
        except Refused as refusal:
            form.add_error(None, refusal.message)
    return _answer(request, visit, station, "running", status, version=version, running_form=form, **more)
