"""The plan, and how the machines stand today."""

from __future__ import annotations

from collections.abc import Iterator

from linelog.planning.models import PlannedPart, PlannedVisit
from linelog.production import weeks
from linelog.reports.tables.asked import Asked
from linelog.reports.tables.stored import Field, Source, machine_and_line, stored
from linelog.reports.tables.table import PER_MILLION, Row, Table, date, in_plain, number, text, time, whole, yes_no
from linelog.reports.tables.worked_out import counted
from linelog.trends.state.outlook import coming
from linelog.trends.state.todo import todo

PLAN = stored(
    "plan",
    "Plan",
    "Planned alignment visits, those done and those taken out too.",
    Source(PlannedVisit.objects.all, "machine", "week", is_time=False),
    (
        Field(whole("entry_id", "Number of the entry."), "pk"),
        *machine_and_line("machine_id"),
        Field(date("week", "Monday of its week."), "week"),
        Field(time("starts_at", "When it starts; empty where the week has no stop for it."), "starts_at"),
        Field(number("hours", "Hours it needs, in all the stops it takes.", "h"), "hours"),
        Field(text("reason", "Why it was due when it was planned."), "reason"),
        Field(yes_no("pinned", "Whether it stays where it is when the plan is worked out again."), "is_pinned"),
        Field(text("state", "Where it stands.", PlannedVisit.State.choices), "state"),
        Field(whole("visit_id", "Number of the visit that came of it."), "visit_id"),
        Field(time("stop_starts_at", "When the stop it is in begins; of several, the first."), "window__starts_at"),
        Field(time("stop_ends_at", "When that stop ends."), "window__ends_at"),
        Field(time("planned_at", "When it was planned."), "made_at"),
        Field(time("changed_at", "When it was last changed."), "changed_at"),
    ),
    day="the Monday of its week",
    page="planning:plan",
)

LATER_STOPS = stored(
    "plan_later_stops",
    "Plan, later stops",
    "What a planned visit does in the stops after its first, where none of its week takes it whole.",
    Source(PlannedPart.objects.all, "entry__machine", "starts_at"),
    (
        Field(whole("entry_id", "Number of the entry, as in the plan."), "entry"),
        *machine_and_line("entry__machine_id"),
        Field(time("starts_at", "When it goes on."), "starts_at"),
        Field(number("hours", "Hours of the entry that are done in this stop.", "h"), "hours"),
        Field(time("stop_starts_at", "When this stop begins."), "window__starts_at"),
        Field(time("stop_ends_at", "When this stop ends."), "window__ends_at"),
    ),
    day="when it goes on",
    page="planning:plan",
)

_STATE = (
    text("line", "Line of the machine."),
    text("machine", "Machine."),
    yes_no("is_out", "Whether a station is proven out, or a bushing worn out."),
    yes_no("is_due", "Whether it is due."),
    date("due_on", "Since when, or until when; empty: not in sight."),
    text("to_do", "What is to be done next."),
    text("why", "Why."),
    text("worst_station", "The worst of its stations that were measured."),
    number("worst_share_of_limit", "Its offset as a share of its limit."),
    number("hours", "Hours the next visit needs.", "h"),
    number("waiting_a_week", "What a week of waiting costs, in the plant's money; empty: not known yet."),
    text("currency", "The plant's money."),
    number("tear_offs_per_million", "Tear-offs after shrinkage, of the ranking over 91 days.", PER_MILLION),
    date("planned_week", "Monday of the week it is planned for."),
)


def _states(asked: Asked) -> Iterator[list[Row]]:
    found = coming(asked.plant, weeks.USUAL, at=asked.at).machines
    rows = []
    for pk, state in found.items():
        if pk not in asked.machines:
            continue
        do, worst = todo(state), state.worst
        rows.append(
            (
                *asked.machines[pk],
                state.is_out,
                state.due.is_due,
                state.due.on,
                do.what,
                do.why,
                str(worst.station) if worst else None,
                worst.severity if worst else None,
                state.hours,
                do.a_week,
                asked.plant.currency,
                state.against.rate if state.against else None,
                state.planned.week if state.planned else None,
            )
        )
    yield in_plain(rows, _STATE, asked.zone)


STATE = Table(
    "machines_today",
    "Machines today",
    "How each machine in service stands now, what is to be done and what waiting costs: as the front page says it.",
    _STATE,
    _states,
    counted(_states),
    day="",
    page="trends:fleet",
)

TABLES = (PLAN, LATER_STOPS, STATE)
