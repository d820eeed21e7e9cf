"""The drift of machines as it is kept, and where the log has gone on since; pages read it, the worker writes it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Count, Max, OuterRef, Subquery, Sum

from linelog.alignment.models import Amendment, Visit
from linelog.plant.models import Fitting, LimitRule, Machine, Plant, Station
from linelog.production.models import Event
from linelog.trends import refit
from linelog.trends.due.tracks import JOLTS
from linelog.trends.models import MachineDrift
from linelog.web.followers import Change

ALGORITHM = "4"  # 3: learned over the plant, jumps and all; 4: with what a visit now is expected to do


@dataclass(frozen=True, slots=True)
class Kept:
    """What is stored of each machine, and the machines whose log has gone on since that was worked out."""

    rows: dict[int, MachineDrift]
    overtaken: frozenset[int]


def kept_of(machines: Iterable[int]) -> Kept:
    """Read what is stored of machines, in four queries."""
    now = bases(machines)
    rows = {row.machine_id: row for row in MachineDrift.objects.filter(machine__in=list(now)).order_by()}
    return Kept(rows, _overtaken(now, {pk: row.basis for pk, row in rows.items()}))


def _overtaken(now: Mapping[int, str], stored: Mapping[int, str]) -> frozenset[int]:
    return frozenset(pk for pk, basis in now.items() if basis != stored.get(pk, ""))


def offer_overtaken(now: dt.datetime) -> None:
    """Have every machine that the log has overtaken worked out anew, also where nobody told of the change."""
    for plant in Plant.objects.order_by("pk"):
        machines = Machine.objects.filter(line__plant=plant)
        stored = dict(machines.filter(drift__isnull=False).values_list("pk", "drift__basis"))
        overtaken = _overtaken(bases(machines.values_list("pk", flat=True)), stored)
        if overtaken and refit.may_offer(plant.pk, now):
            with transaction.atomic():
                refit.mark_stale(Change("overtaken", plant.pk, overtaken, now))


def bases(machines: Iterable[int]) -> dict[int, str]:
    """Return the state of the log that each machine's drift rests on, in three queries; "" before its first visit."""
    ids = list(machines)
    # The newest of each machine by an index: adding up would read ten years of visits and events at every page.
    signed = Visit.objects.filter(machine=OuterRef("pk"), state=Visit.State.SIGNED).order_by("-signed_at")
    jolts = Event.objects.filter(machine=OuterRef("pk"), kind__in=JOLTS).order_by("-pk")
    tools = Fitting.objects.filter(machine=OuterRef("pk"), removed_at__isnull=True).order_by("-pk")
    rules = LimitRule.objects.filter(plant=OuterRef("line__plant")).order_by().values("plant")
    rules = rules.annotate(part=Sum("version") + 1000 * Sum("pk"))
    rows = (
        Machine.objects.filter(pk__in=ids)
        .order_by()
        .values_list(
            "pk",
            Subquery(signed.values("signed_at")[:1]),
            Subquery(jolts.values("pk")[:1]),
            "line__plant__risk_percent",
            "line__plant__machine_risk_percent",
            "version",  # its ram, and what its moves are for
            # What a rule of limits looks at: the rules themselves, the tools that are on, the set speed.
            Subquery(rules.values("part")[:1]),
            Subquery(tools.values("pk")[:1]),
            "speed_spm",
        )
    )
    stations = Station.objects.filter(machine__in=ids).order_by()
    amended = Amendment.objects.filter(visit__machine__in=ids).order_by()
    versions = dict(stations.values_list("machine").annotate(part=Sum("version") + 1000 * Count("pk")))
    amendments = dict(amended.values_list("visit__machine").annotate(part=Max("pk")))
    return {
        pk: ""
        if signing is None
        else _basis(
            signing, version, versions.get(pk), jolt, amendments.get(pk), *risks, *(limits if limits[0] else ())
        )
        for pk, signing, jolt, *risks, version, rule, tool, speed in rows
        for limits in ((rule, tool, speed),)
    }


def _basis(*parts: object) -> str:
    return "|".join([ALGORITHM, *("" if part is None else str(part) for part in parts)])
