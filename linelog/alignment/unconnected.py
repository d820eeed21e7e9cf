"""What a tablet must know to open a visit while it cannot reach the server: stations, and how each starts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import OuterRef, Prefetch, QuerySet, Subquery

from linelog.alignment.bushings import HOW
from linelog.alignment.forms.bushing import ClearanceForm, FittedForm, PositionForm
from linelog.alignment.forms.sweep import SweepForm
from linelog.alignment.forms.visit import RunningForm
from linelog.alignment.models import Stage, Sweep, Visit
from linelog.alignment.on_tablet import on_tablet
from linelog.alignment.queries import SET_UP_FIELDS, usual_set_up
from linelog.alignment.services.bushings import wear_limit_um
from linelog.alignment.words import plunger_words, set_up_origin, set_up_words
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.plant.models import Adjuster, Machine, Person, Plant, Station
from linelog.web.units import show_um

SEATS = {"front": "Front seat", "rear": "Rear seat"}
KINDS = (Sweep.Kind.RIM.value, Sweep.Kind.FACE.value)
# What the page puts the station, its stage and its adjuster in for; the forms are those of a visit on the server.
STATION, STAGE, ADJUSTER = "{station}", "{stage}", "{adjuster}"
MOVERS = {
    "shim": Adjuster(pk=0, name=ADJUSTER, kind=Adjuster.Kind.SHIM),
    "slide": Adjuster(pk=0, name=ADJUSTER, kind=Adjuster.Kind.SLIDE),
    "screw-in": Adjuster(pk=0, name=ADJUSTER, kind=Adjuster.Kind.SCREW, clockwise_is_positive=True),
    "screw-out": Adjuster(pk=0, name=ADJUSTER, kind=Adjuster.Kind.SCREW, clockwise_is_positive=False),
}


def forms_to_fill(plant: Plant, reader: Unit) -> dict[str, Any]:
    """Return what the entry screen's own forms need, for no station yet: moves, running values, a bushing."""
    names = ("clearance", "position", "fitted")
    return {
        "station": STATION,
        "page": {"ways": {"urls": {"move": "moves", "running": "running"}}},
        "move_form": {"unit": reader},
        "movers": MOVERS,
        "running_forms": [(view.value, RunningForm(unit=reader, view=view)) for view in View],
        "bushing": {"how": HOW, "stage_label": STAGE},
        "bushing_urls": {name: name for name in names},
        "clearance_form": ClearanceForm(
            unit=reader,
            initial=ClearanceForm.initial_of(None, Stage.AS_FOUND.value, plant.indicator_resolution_um),
        ),
        "position_form": PositionForm(unit=reader, initial={"stage": Stage.AS_FOUND.value, "version": 0}),
        "fitted_form": FittedForm(),
    }


def machines_to_visit(user: Person) -> list[Machine]:
    """Return the machines of a person's plant with their stations, adjusters and open visits."""
    stations = _with_last_sweeps(Station.objects.filter(is_active=True).order_by("order", "pk"))
    opened = Visit.objects.filter(state=Visit.State.OPEN)
    return list(
        Machine.objects.for_user(user)
        .select_related("line__plant")
        .prefetch_related(
            Prefetch("stations", queryset=stations),
            Prefetch("stations__adjusters", queryset=Adjuster.objects.order_by("order", "pk")),
            Prefetch("visits", queryset=opened),  # no other visit is asked for below
        )
    )


def _with_last_sweeps(stations: QuerySet[Station]) -> QuerySet[Station]:
    """Name with each station its last sweep of the rim and of the face; what was dropped counts for nothing."""

    def last(kind: str) -> Subquery:
        rows = Sweep.objects.filter(station=OuterRef("pk"), kind=kind).exclude(visit__state=Visit.State.DROPPED)
        return Subquery(rows.order_by("-pk").values("pk")[:1])

    return stations.annotate(**{f"last_{kind}": last(kind) for kind in KINDS})


def told(machines: Iterable[Machine], reader: Unit, procedures: Mapping[int, int]) -> list[dict[str, Any]]:
    """Return what the tablet keeps, as plain data; `procedures` numbers the lockout words of each machine."""
    found = list(machines)
    keys = [getattr(station, f"last_{kind}") for one in found for station in one.stations.all() for kind in KINDS]
    last = Sweep.objects.select_related("visit").in_bulk([key for key in keys if key is not None])
    forms = {kind: SweepForm(kind=kind, unit=reader) for kind in KINDS}
    return [
        {
            "id": machine.pk,
            "name": str(machine),
            "line": str(machine.line),
            "open": next((visit.pk for visit in machine.visits.all()), None),
            "procedure": procedures.get(machine.pk, 0),
            "stations": [_station(machine, station, last, forms, reader) for station in machine.stations.all()],
        }
        for machine in found
    ]


def _station(
    machine: Machine, station: Station, last: Mapping[int, Sweep], forms: Mapping[str, SweepForm], reader: Unit
) -> dict[str, Any]:
    station.machine = machine
    single = "Bore" if station.surface == Station.Surface.BORE else "Outside"
    wanted = [(seat, KINDS[0], SEATS.get(seat, single)) for seat in reversed(station.seats)]
    if station.face_radius_mm is not None:
        wanted.append(("", KINDS[1], "Face"))
    swept = {kind: last.get(getattr(station, f"last_{kind}") or 0) for kind in KINDS}
    return {
        "id": station.pk,
        "name": station.name,
        "bushing": station.is_bushing,
        "view": station.view,
        "wear": show_um(wear_limit_um(station, machine.line.plant), reader, with_unit=True),
        "places": []
        if station.is_bushing
        else [
            _place(machine, station, seat, kind, label, swept[kind], forms[kind], reader)
            for seat, kind, label in wanted
        ],
        "adjusters": [_adjuster(row) for row in station.adjusters.all()],
    }


def _place(
    machine: Machine,
    station: Station,
    seat: str,
    kind: str,
    label: str,
    last: Sweep | None,
    form: SweepForm,
    reader: Unit,
) -> dict[str, Any]:
    plant = machine.line.plant
    sweep = _starting(machine, station, seat, kind, last, plant)
    known = on_tablet(sweep, station, plant, reader)
    return {
        "seat": seat,
        "kind": kind,
        "label": label,
        "positions": sweep.positions,
        "view": sweep.view,
        "words": set_up_words(sweep, reader),
        "origin": set_up_origin(sweep),
        "plunger": plunger_words(sweep),
        # Which limit holds is the server's to say: it may depend on the can and the speed.
        "tablet": {**known, "limit": None} if known else None,
        "form": _typed_as(form, SweepForm.initial_of(sweep)),
    }


def _starting(machine: Machine, station: Station, seat: str, kind: str, last: Sweep | None, plant: Plant) -> Sweep:
    """Return the sweep that a new visit starts with at a place; not stored."""
    if last is None:
        how = usual_set_up(station, kind, plant)
    else:
        how = {name: getattr(last, name) for name in SET_UP_FIELDS}
        how |= {"set_up_from": Sweep.SetUpFrom.VISIT, "taken_over_from": last.visit.opened_at}
    return Sweep(visit=Visit(machine=machine), station=station, seat=seat, kind=kind, **how)


def _typed_as(form: SweepForm, values: Mapping[str, Any]) -> dict[str, str]:
    """Return the values of a set-up as its form would hold them; a box that is not ticked is left out."""
    values = {**values, "lengths_in": form.fields["lengths_in"].initial}
    held = {name: field.prepare_value(values.get(name)) for name, field in form.fields.items()}
    return {
        name: "on" if value is True else str(value) for name, value in held.items() if value not in (None, "", False)
    }


def _adjuster(row: Adjuster) -> dict[str, Any]:
    ways = {
        view.value: {"placed": row.placed_from(view), "toward": row.toward_from(view), "away": row.away_from(view)}
        for view in View
    }
    return {"id": row.pk, "name": row.name, "mover": _mover(row), "views": ways}


def _mover(row: Adjuster) -> str:
    """Return which of MOVERS logs what was moved there."""
    if row.kind != Adjuster.Kind.SCREW:
        return str(row.kind)
    return "screw-in" if row.clockwise_is_positive else "screw-out"
