"""The page where static and running values are reconciled."""

from __future__ import annotations

from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from linelog.alignment.hanging import record_of
from linelog.alignment.reconciled import by_machine, offer_of, reconcile, running_stations
from linelog.alignment.reconciled_figure import reconciled_figure
from linelog.alignment.views.ram import machine_of
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.permissions import Permission, may, needs


@require_GET
@needs(Permission.VIEW)
def page(request: Request, machine_id: int) -> HttpResponse:
    """Show what the pairs of a machine teach beside the beam, and how the other machines stand."""
    machine = machine_of(request, machine_id)
    everybody = reconcile(running_stations(request.user), timezone.now())
    found = [one for one in everybody if one.station.machine_id == machine.pk]
    context = {
        "machine": machine,
        "found": found,
        "record": record_of(machine),
        "disagreeing": [one for one in found if one.disagrees],
        "odd": [one for one in found if one.check.newest_odd],
        "known": any(one.learned and one.beam for one in found),
        "machines": by_machine(everybody),
        "offer": offer_of(found),
        "stepped": [one for one in found if one.stepped],
        "moving": [one for one in found if one.learned and one.learned.moves],
        "may_set_up": may(request.user, Permission.SET_UP),
    }
    return render(request, "alignment/reconciled.html", context)


@require_GET
@needs(Permission.VIEW)
def figures(request: Request, machine_id: int) -> JsonResponse:
    """Return the chart for plotly in the browser."""
    machine = machine_of(request, machine_id)
    found = reconcile(running_stations(request.user).filter(machine=machine), timezone.now())
    if not any(one.pairs for one in found):
        return JsonResponse({})
    return JsonResponse({"reconciled": reconciled_figure(found, units.of(request.user))})
