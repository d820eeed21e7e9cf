"""What the pages of captures read; the curves of a result are read on its own page alone."""

from __future__ import annotations

from django.db.models import Prefetch, QuerySet

from linelog.alignment.models import BumpTest, Capture, ProbeSetup
from linelog.plant.models import Machine, Person

TESTS = Prefetch("bump_tests", queryset=BumpTest.objects.select_related("by"))
HEAVY = ("result", "worked_with")


def captures_for(user: Person) -> QuerySet[Capture]:
    """Return the captures a person may see, with what every page of them shows."""
    return Capture.objects.for_user(user).select_related(
        "machine__line__plant", "setup__station", "by", "job", "visit"
    )


def captures_of(machine: Machine, user: Person) -> QuerySet[Capture]:
    """Return the captures of a machine, newest first, without their curves."""
    return captures_for(user).filter(machine=machine).defer(*HEAVY).order_by("-recorded_at", "-pk")


def setups_of(machine: Machine) -> list[ProbeSetup]:
    """Return the set-ups of a machine with their probes, those in use first."""
    return list(
        ProbeSetup.objects.filter(machine=machine).select_related("station").prefetch_related("probes", TESTS)
    )


def setups_to_copy(user: Person, machine: Machine) -> QuerySet[ProbeSetup]:
    """Return the set-ups of other machines of the plant, to begin from."""
    mine = ProbeSetup.objects.for_user(user).filter(machine__line__plant=machine.line.plant_id, is_active=True)
    return mine.exclude(machine=machine).select_related("machine").order_by("machine__name", "name")
