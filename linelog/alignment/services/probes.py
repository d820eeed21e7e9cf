"""Set-ups of rings of probes, and the limits of the warnings: who sets the plant up keeps them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from linelog.alignment.captures.setting import ring_of, signals_of
from linelog.alignment.models import Capture, CaptureLimit, Probe, ProbeSetup
from linelog.calc.capture.analyse import CaptureSetup, check_setup
from linelog.calc.capture.motion import Crank
from linelog.calc.errors import CalcError
from linelog.plant.models import Machine, Plant
from linelog.plant.services import rows
from linelog.web import audit
from linelog.web.errors import Refused

TAKEN = "This machine has a probe set-up of this name already."
FIELDS = {"time": "time_column", "probes": "probes"}
ANY_CRANK = Crank(600.0, 900.0)  # the ring is checked, not the machine's crank
ProbeFacts = Mapping[str, Any]


def add_setup(
    *, by: Any, at: datetime, machine: Machine, facts: Mapping[str, Any], probes: Sequence[ProbeFacts]
) -> ProbeSetup:
    """Add a set-up with its probes."""
    rows.check_mine(by, machine)
    made = ProbeSetup(machine=machine, **facts)
    ring = _probes(made, probes)
    _rules(made, ring)
    with transaction.atomic():
        rows.add(by=by, at=at, row=made, taken=TAKEN, extra={"probes": _said(ring)})
        Probe.objects.bulk_create(_of(made, ring))
    return made


def change_setup(
    *,
    by: Any,
    at: datetime,
    setup: ProbeSetup,
    version: int,
    facts: Mapping[str, Any],
    probes: Sequence[ProbeFacts],
) -> ProbeSetup:
    """Change a set-up and its probes together; captures keep the set-up that they were worked out with."""
    with transaction.atomic():
        before = _said(list(setup.probes.all()))
        ring = _probes(setup, probes)
        fresh = rows.change(
            by=by, at=at, row=setup, version=version, facts=facts, taken=TAKEN, rules=lambda row: _rules(row, ring)
        )
        if _said(ring) != before:
            plant_id = rows.plant_id_of(fresh)
            old, new = {"probes": before}, {"probes": _said(ring)}
            audit.record(by=by, action="changed probes", obj=fresh, at=at, before=old, after=new, plant_id=plant_id)
            fresh.probes.all().delete()
            Probe.objects.bulk_create(_of(fresh, ring))
    return fresh


def remove_setup(*, by: Any, at: datetime, setup: ProbeSetup, version: int) -> None:
    """Remove a set-up that no capture was made with."""
    if Capture.objects.filter(setup=setup).exists():
        raise Refused("Captures were made with it: take it out of use instead.")
    rows.remove(by=by, at=at, row=setup, version=version, in_use="Captures were made with it.")


def change_limits(*, by: Any, at: datetime, plant: Plant, version: int, facts: Mapping[str, Any]) -> CaptureLimit:
    """Change from when on the plant is warned."""
    rows.check_mine(by, plant)
    with transaction.atomic():
        row, _ = CaptureLimit.objects.get_or_create(plant=plant)
        return rows.change(by=by, at=at, row=row, version=version, facts=facts)


def _probes(setup: ProbeSetup, probes: Sequence[ProbeFacts]) -> list[Probe]:
    return [Probe(setup=setup, order=number, **facts) for number, facts in enumerate(probes)]


def _of(setup: ProbeSetup, ring: Sequence[Probe]) -> list[Probe]:
    for probe in ring:
        probe.setup = setup
    return list(ring)


def _said(ring: Sequence[Probe]) -> list[dict[str, Any]]:
    return [
        {name: value for name, value in audit.snapshot(probe).items() if name not in {"id", "setup_id"}}
        for probe in ring
    ]


def _rules(setup: ProbeSetup, ring: Sequence[Probe]) -> None:
    """Refuse a ring that cannot give both axes, and columns that would be two things at once."""
    if setup.station.machine_id != setup.machine_id:
        raise Refused("Choose a station of this machine.", field="station")
    try:
        check_setup(CaptureSetup(ring_of(setup, ring), signals_of(setup), ANY_CRANK))
    except CalcError as error:
        raise Refused(error.message, field=FIELDS.get(error.field or "", error.field)) from None
