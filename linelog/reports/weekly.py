"""The weekly report of a line or a plant, on one page: what is out, what was done, what it cost, what comes.

How machines stand, what to do and what waiting costs is told by `trends.state` alone; cost at the plant's own rates.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import Count

from linelog.alignment.models import MoveMade, Visit
from linelog.alignment.results.of_visits import out_of_visits
from linelog.calc.money import CostRates, cost_of
from linelog.plant.models import Line, Plant
from linelog.production import weeks
from linelog.production.models import Finding
from linelog.production.queries import Totals, machine_totals
from linelog.reports.paper import Reader, pages_of, pdf_of
from linelog.trends import words
from linelog.trends.state.outlook import MachineState, coming
from linelog.trends.state.say import money, planned_of, worth_short
from linelog.trends.state.todo import Todo, need_key, todo
from linelog.web.templatetags.units import count

WEEK = dt.timedelta(days=7)
BEFORE = 4  # weeks that the cost is held against
DEAREST = 3
WAITING = "Waiting costs about {} a week, as far as it is known ({})."
MORE = "Tear-offs above the usual rate, of which the cause is to be looked for elsewhere, cost about {} a week ({})."
ROWS = (12, 8, 6, 4, 3)  # of each part, until all is on one page


def pdf(plant: Plant, line: Line | None, week: dt.date, reader: Reader) -> bytes:
    """Return the report as a PDF of one page: its tables are cut until they fit, and say how much is left out."""
    found = read(plant, line, week, reader)
    for most in ROWS:
        content = {**found, **_cut(found, most)}
        if len(pages_of("weekly", reader, content)) == 1:
            break
    return pdf_of("weekly", reader, content)


def _cut(found: dict[str, Any], most: int) -> dict[str, Any]:
    def more(name: str, noun: str) -> str:
        left = len(found[name]) - most
        return f"and {words.plural(left, noun)} more" if left > 0 else ""

    comes = [line for line in [more("comes", "visit"), *found["comes_more"]] if line]
    return {
        **{name: found[name][:most] for name in ("out", "done", "comes")},
        "out_more": more("out", "machine"),
        "done_more": more("done", "visit"),
        "comes_more": comes,
    }


def read(plant: Plant, line: Line | None, week: dt.date, reader: Reader) -> dict[str, Any]:
    """Return everything on the report as text and lists; `week` is a Monday."""
    states = [
        (state, todo(state))
        for state in coming(plant, weeks.USUAL, at=reader.at).machines.values()
        if line is None or state.machine.line_id == line.pk
    ]
    states.sort(key=lambda row: need_key(*row))
    last = week + WEEK - dt.timedelta(days=1)
    return {
        "of": str(line or plant),
        "week": f"Week {week:%V of %G}: {words.date(week)} to {words.date(last)}",
        "plant": str(plant) if line else "",
        "currency": plant.currency,
        "out": [_out(state, do) for state, do in states if do.is_work],
        "done": _done(plant, line, week, reader),
        **_cost(plant, [state for state, _ in states], week),
        "comes": _planned(states),
        "comes_more": _comes_more(plant, states),
    }


def _name(one: MachineState | Visit) -> str:
    return f"{one.machine} ({one.machine.line})"


def _out(state: MachineState, do: Todo) -> list[str]:
    return [_name(state), do.short, do.why, worth_short(state, do) + ("*" if do.is_more else "")]


def _done(plant: Plant, line: Line | None, week: dt.date, reader: Reader) -> list[list[str]]:
    """Return the visits signed in the week, by when."""
    begins, ends = weeks.begins(plant, week), weeks.begins(plant, week + WEEK)
    rows = Visit.objects.filter(state=Visit.State.SIGNED, signed_at__gte=begins, signed_at__lt=ends)
    rows = rows.filter(machine__line=line) if line else rows.filter(machine__line__plant=plant)
    visits = list(rows.select_related("machine__line__plant", "signature", "signed_by").order_by("signed_at", "pk"))
    out = out_of_visits(visits, reader.at)
    made = MoveMade.objects.filter(visit__in=visits).order_by().values_list("visit_id")
    moves = dict(made.annotate(number=Count("pk")))
    return [
        [
            _name(one),
            reader.when(one.signed_at),
            one.get_reason_display(),
            *map(str, out[one.pk]),
            str(moves.get(one.pk, 0)),
            one.signer,
        ]
        for one in visits
    ]


def _cost(plant: Plant, states: Sequence[MachineState], week: dt.date) -> dict[str, Any]:
    """Return what was counted in the week and its cost: of all, of the weeks before, and of the dearest machines."""
    names = {state.machine.pk: _name(state) for state in states}
    now = machine_totals(names, week, week + WEEK - dt.timedelta(days=1))
    before = machine_totals(names, week - BEFORE * WEEK, week - dt.timedelta(days=1))
    rates = CostRates(plant.can_cost, plant.tear_off_clear_minutes, plant.minute_value)
    cost = {pk: cost_of(one.spoiled, one.tear_offs, rates).total for pk, one in now.items()}
    dearest = sorted(cost, key=lambda pk: -cost[pk])[:DEAREST]
    table = [_counted("This week", now.values(), rates, 1)]
    table.append(_counted(f"Mean of the {BEFORE} weeks before", before.values(), rates, BEFORE))
    table += [_counted(names[pk], [now[pk]], rates, 1) for pk in dearest]
    rests_on = (
        f"Spoiled cans at {plant.can_cost:g} {plant.currency}, tear-offs at {plant.tear_off_clear_minutes:g} min "
        f"of {plant.minute_value:g} {plant.currency}; production days. Not all of it comes of misalignment."
    )
    return {"cost": table, "cost_rests_on": rests_on}


def _counted(name: str, totals: Iterable[Totals], rates: CostRates, number: int) -> list[str]:
    found = list(totals)
    made, spoiled, torn = (
        sum(getattr(one, column) for one in found) / number for column in ("made", "spoiled", "tear_offs")
    )
    if not made:
        return [name, "none counted", "–", "–", "–", "–", "–"]
    cost = cost_of(spoiled, torn, rates).total
    return [
        name,
        count(round(made)),
        count(round(spoiled)),
        f"{100.0 * spoiled / made:.2f} %",
        count(round(torn)),
        f"{1e6 * torn / made:.1f}",
        count(round(cost)),
    ]


def _planned(states: Iterable[tuple[MachineState, Todo]]) -> list[list[str]]:
    """Return the open entries of the plan, the next first; one without a stop by its week."""
    rows = [(one.planned, one, do) for one, do in states if one.planned is not None]
    rows.sort(key=lambda row: (row[0].week, row[0].starts_at or weeks.begins(row[1].machine.line.plant, row[0].week)))
    return [[_name(state), planned_of(state), do.short] for _, state, do in rows]


def _comes_more(plant: Plant, states: Iterable[tuple[MachineState, Todo]]) -> list[str]:
    """Say what is to be done and not planned, what waiting costs in all, and which complaints are open."""
    work = [(state, do) for state, do in states if do.is_work]
    left = [_name(state) for state, _ in work if state.planned is None]
    said = [f"To be done and not planned: {', '.join(left)}."] if left else []
    for is_more, words_of in ((False, WAITING), (True, MORE)):
        known = [do.a_week for _, do in work if do.a_week is not None and do.is_more is is_more]
        if known:
            said.append(words_of.format(money(sum(known), plant.currency), words.plural(len(known), "machine")))
    open_ones = Finding.objects.filter(plant=plant, complaint_closed_on__isnull=True).exclude(complaint="")
    numbers = list(dict.fromkeys(open_ones.order_by("found_on", "pk").values_list("complaint", flat=True)))
    if numbers:
        said.append(f"Complaints open in the plant: {', '.join(numbers[:12])}{' …' if len(numbers) > 12 else ''}.")
    return said
