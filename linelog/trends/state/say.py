"""What a week of waiting costs, and when a visit is planned, in whole sentences."""

from __future__ import annotations

from linelog.production.days import zone
from linelog.trends.state.outlook import MachineState
from linelog.trends.state.todo import Do, Todo
from linelog.web.units import show_hours

NOT_KNOWN = "not known yet"


def money(amount: float, currency: str) -> str:
    """Write an amount as it is read: whole, with thin spaces between thousands."""
    return f"{amount:,.0f} {currency}".replace(",", "\u202f")


def worth_short(state: MachineState, todo: Todo) -> str:
    """Return a week of waiting in a word for a table."""
    return NOT_KNOWN if todo.a_week is None else money(todo.a_week, state.machine.line.plant.currency)


def worth_of(state: MachineState, todo: Todo) -> str:
    """Say what a week of waiting costs."""
    if todo.do is Do.NOTHING:
        return ""
    if todo.a_week is None:
        return f"What waiting costs is {NOT_KNOWN}."
    amount = worth_short(state, todo)
    if todo.is_more:
        return f"That is about {amount} a week more than at the usual rate."
    return f"Waiting costs about {amount} a week, as far as it was measured at rest."


def planned_of(state: MachineState) -> str:
    """Say when it is planned."""
    planned = state.planned
    if planned is None:
        return "Not planned."
    if planned.starts_at is None:
        return f"Planned for {planned.words}; no stop is set for it yet."
    at = planned.starts_at.astimezone(zone(state.machine.line.plant))
    if planned.stops > 1:
        return f"Planned from {at:%a %Y-%m-%d %H:%M}, {show_hours(planned.hours)} h in {planned.stops} stops."
    return f"Planned for {at:%a %Y-%m-%d %H:%M}, {show_hours(planned.hours)} h."
