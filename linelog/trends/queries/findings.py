"""Findings as lists show them, and the condition by which a machine's findings are found."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Q, QuerySet

from linelog.calc.misread import UNREAD
from linelog.plant.models import Fitting, Machine, Person, Plant
from linelog.production.models import Finding
from linelog.trends import words
from linelog.trends.bearing import Bearers, Bearing, may_be
from linelog.trends.queries.bearers import bearers_by_plant, traced
from linelog.trends.queries.mark_evidence import evidence_for
from linelog.trends.tracing import Leads, Traced

MOST_ALIKE = 2000  # findings of the days around that are looked at
ALIKE_SHOWN = 20
MOST_NAMED = 2


@dataclass(frozen=True, slots=True)
class Row:
    """A finding with where it leads."""

    finding: Finding
    traced: Traced

    @property
    def leads_to_one(self) -> bool:
        """Whether one machine is named."""
        return self.traced.machine_id is not None

    @property
    def short(self) -> str:
        """Where it leads where that is not one machine, in a few words."""
        candidates = self.traced.candidates
        if not self.finding.mark:
            return "no mark"
        misread = ", if misread" if self.traced.leads is Leads.MISREAD else ""
        if len(candidates) > MOST_NAMED:
            return f"one of {len(candidates)} machines{misread}"
        return " or ".join(one.machine for one in candidates) + misread if candidates else "no machine"


def findings_for(user: Person) -> QuerySet[Finding]:
    """Return the findings a person may see, with what a list shows, the last made first."""
    rows = Finding.objects.for_user(user).select_related("plant", "place", "code", "machine__line", "by")
    return rows.order_by("-made_on", "-pk")


TEXTS = ("note", "containment", "cause", "action")
FEWEST_LETTERS = 3  # fewer stand in most texts


def of_text(typed: str) -> Q:
    """Return the condition of a finding whose complaint has this number, or whose texts hold these words."""
    names = ("complaint", "customer_reference")
    if len(typed) < FEWEST_LETTERS:
        return Q(*((f"{name}__iexact", typed) for name in names), _connector=Q.OR)
    return Q(*((f"{name}__icontains", typed) for name in (*names, *TEXTS)), _connector=Q.OR)


def chosen(rows: QuerySet[Finding], choice: dict[str, Any], bearers: Bearers | None = None) -> QuerySet[Finding]:
    """Narrow findings down to a choice; `bearers` of the plant where a machine is chosen."""
    simple = {
        "place": choice.get("place"),
        "code": choice.get("code"),
        "made_on__gte": choice.get("since"),
        "made_on__lte": choice.get("until"),
    }
    rows = rows.filter(**{name: value for name, value in simple.items() if value})
    if choice.get("text"):
        rows = rows.filter(of_text(choice["text"]))
    if choice.get("mark"):
        rows = rows.filter(mark__iexact=choice["mark"])
    if choice.get("machine") and bearers is not None:
        rows = rows.filter(of_machine(choice["machine"], bearers))
    return rows


def of_machine(machine: Machine, bearers: Bearers) -> Q:
    """Return the condition of a finding that may be of this machine: said so, or by a mark that it bore that day."""
    own = bearers.on_machine(machine.pk)
    unread = list(
        Finding.objects.filter(plant=machine.line.plant_id, machine__isnull=True, mark__contains=UNREAD)
        .order_by("mark")
        .values_list("mark", flat=True)
        .distinct()
    )
    condition = Q(machine=machine.pk)
    for bearing in own:
        typed = {bearing.mark, bearing.mark.upper(), bearing.mark.lower()}
        typed |= {mark for mark in unread if may_be(mark, bearing.mark)}
        condition |= _in_days(bearing) & Q(machine__isnull=True, mark__in=sorted(typed))
    return condition


def _in_days(bearing: Bearing) -> Q:
    begins = Q(made_on__gte=bearing.starts_on)
    return begins & Q(made_on__lte=bearing.ends_on) if bearing.ends_on else begins


def with_traces(findings: Iterable[Finding]) -> list[Row]:
    """Return findings (with their plant) with where each leads; five queries a plant, however many they are."""
    given = list(findings)
    of_plant: dict[Plant, list[Finding]] = {}
    for finding in given:
        of_plant.setdefault(finding.plant, []).append(finding)
    bearers = bearers_by_plant({plant.pk for plant in of_plant}) if given else {}
    evidence = {plant.pk: evidence_for(plant, some, bearers[plant.pk]) for plant, some in of_plant.items()}
    return [Row(one, traced(one, bearers[one.plant_id], evidence[one.plant_id])) for one in given]


@dataclass(frozen=True, slots=True)
class Mounted:
    """A tooling set on a machine from when to when."""

    set_id: int
    name: str
    machine_id: int
    begins: dt.datetime
    ends: dt.datetime | None

    def within(self, begins: dt.datetime, ends: dt.datetime) -> bool:
        """Whether it was mounted at some time of the span."""
        return self.begins <= ends and (self.ends is None or self.ends > begins)


def mounted(plant_id: int, begins: dt.datetime, ends: dt.datetime) -> list[Mounted]:
    """Return what was mounted on the machines of a plant at some time of a span, in the order of time."""
    rows = Fitting.objects.filter(machine__line__plant=plant_id, fitted_at__lte=ends)
    rows = rows.filter(Q(removed_at__isnull=True) | Q(removed_at__gt=begins)).order_by("fitted_at")
    columns = ("tooling_set_id", "tooling_set__name", "machine_id", "fitted_at", "removed_at")
    return [Mounted(*row) for row in rows.values_list(*columns)]


@dataclass(frozen=True, slots=True)
class Alike:
    """Another finding, and what it shares with the one looked at."""

    row: Row
    shares: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AlikeFound:
    """Findings like one, what shares most first; how many share what; how many machines have its code."""

    days: int
    shown: tuple[Alike, ...]
    by_share: dict[str, int]
    machines_with_code: int
    cut: bool


def alike(finding: Finding, machine_id: int | None, bearers: Bearers, days: int) -> AlikeFound:
    """Return other findings within so many days that share code, machine, mark or tooling set; two queries."""
    span = dt.timedelta(days=days)
    rows = (
        Finding.objects.filter(plant=finding.plant_id)
        .filter(made_on__gte=finding.made_on - span, made_on__lte=finding.made_on + span)
        .exclude(pk=finding.pk)
        .select_related("place", "code", "machine__line")
        .order_by("-made_on", "-pk")
    )
    others = list(rows[: MOST_ALIKE + 1])
    tools = mounted(finding.plant_id, finding.made_from - span, finding.made_to + span)
    here = _sets_at(tools, machine_id, finding)
    found = []
    for other in others[:MOST_ALIKE]:
        row = Row(other, traced(other, bearers))
        shares = _shares(finding, machine_id, row, here, tools)
        if shares:
            found.append(Alike(row, shares))
    found.sort(key=lambda one: (-len(one.shares), abs((one.row.finding.made_on - finding.made_on).days)))
    counts: dict[str, int] = {}
    for one in found:
        for share in one.shares:
            counts[share] = counts.get(share, 0) + 1
    machines = {one.row.traced.machine_id for one in found if "code" in one.shares} | {machine_id}
    return AlikeFound(days, tuple(found[:ALIKE_SHOWN]), counts, len(machines - {None}), len(others) > MOST_ALIKE)


def _sets_at(tools: Sequence[Mounted], machine_id: int | None, finding: Finding) -> set[int]:
    if machine_id is None:
        return set()
    return {
        one.set_id for one in tools if one.machine_id == machine_id and one.within(finding.made_from, finding.made_to)
    }


def _shares(
    finding: Finding, machine_id: int | None, row: Row, sets: set[int], tools: Sequence[Mounted]
) -> tuple[str, ...]:
    other = row.finding
    shared = {
        "code": other.code_id == finding.code_id,
        "machine": machine_id is not None and row.traced.machine_id == machine_id,
        "mark": bool(finding.mark) and other.mark.casefold() == finding.mark.casefold(),
        "tooling set": bool(sets & _sets_at(tools, row.traced.machine_id, other)),
    }
    return tuple(name for name, is_shared in shared.items() if is_shared)


def count_words(found: AlikeFound) -> str:
    """Say how many share what."""
    each = [f"{words.plural(number, 'has', 'have')} the same {share}" for share, number in found.by_share.items()]
    return f"Within {found.days} days before and after: " + (", ".join(each) if each else "none") + "."
