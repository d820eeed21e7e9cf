"""Did the alignment help: the stored judgement of visits as rows of the page's tables and charts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from linelog.alignment.models import Visit
from linelog.calc.before_after import smallest_fall
from linelog.calc.expected_rate import FEWEST_COUNTS, FEWEST_WINDOWS
from linelog.calc.rates import MILLION
from linelog.plant.models import Machine, Plant
from linelog.trends import words
from linelog.trends.addresses import machine_url, visit_url
from linelog.trends.choice import Span
from linelog.trends.evidence.before_after_fit import FEW, KIND, NO_VISITS, SOON, TOOLS, YEARS, scope_of
from linelog.trends.evidence.scope import Scope
from linelog.trends.fleet import natural
from linelog.trends.models import Fit

A_PAGE = 20
NAMED_HIGH = (Visit.Reason.TEAR_OFFS, Visit.Reason.SPOILAGE)
CALLED = {True: "Rate had risen before", False: "Rate had not risen"}
WHY_NOT = {
    TOOLS: "other tools put on: not told",
    SOON: "its days are not over",
    FEW: "too few days with cans",
}


@dataclass(frozen=True, slots=True)
class Row:
    """A visit, or several put together: rates per million, and counts over what was expected with its interval.

    shown  whether a difference is claimed; `fall` the smallest one that would be, 0 to 1 (1: none)
    """

    name: str
    visits: int
    counts_before: int
    made_before: int
    counts_after: int
    made_after: int
    expected: float | None
    ratio: float | None
    low: float
    high: float | None
    shown: bool = False
    fall: float | None = None
    url: str = ""
    machine: str = ""
    reason: str = ""
    called: bool = False
    why: str = ""
    usual: tuple[float, float] | None = None

    @property
    def css(self) -> str:
        """The class that gives the word its shape."""
        if not self.shown or self.ratio is None:
            return ""
        return "below" if self.ratio < 1.0 else "above"

    @property
    def word(self) -> str:
        """What is claimed, or why nothing is."""
        if self.why:
            return WHY_NOT[self.why]
        return {"below": "lower than expected", "above": "higher than expected", "": "no difference shown"}[self.css]

    @property
    def rate_before(self) -> float | None:
        """Per million cans."""
        return MILLION * self.counts_before / self.made_before if self.made_before else None

    @property
    def rate_after(self) -> float | None:
        """Per million cans."""
        return MILLION * self.counts_after / self.made_after if self.made_after else None

    @property
    def rate_expected(self) -> float | None:
        """Per million cans, without the visit."""
        return MILLION * self.expected / self.made_after if self.made_after and self.expected is not None else None

    @property
    def fall_percent(self) -> int | None:
        """The smallest fall that would show, rounded up; None where none would."""
        return None if self.fall is None or self.fall > 0.99 else int(np.ceil(100.0 * self.fall))


@dataclass(frozen=True, slots=True)
class Page:
    """What is told of a span: everything together, the groups, and a page of single visits, the newest first."""

    fit: Fit | None
    everything: Row | None
    called: list[Row]
    reasons: list[Row]
    machines: list[Row]
    each: list[Row]
    has_older: bool
    said: list[str]

    @property
    def sentence(self) -> str:
        """Why there is no result."""
        if self.fit is None:
            return "The visits have not been judged yet: that is done after the next change."
        code, on = self.fit.result.get("missing", NO_VISITS), self.fit.rests_on
        return {
            "days": f"Too few days without a visit to learn from: it takes {FEWEST_WINDOWS} such spans of days.",
            "counts": f"{on.get('counts', 0)} were counted in all this time, and {FEWEST_COUNTS} are needed.",
            "fit": "The counts are too irregular to say what to expect after a visit.",
        }.get(code, "No visit has been signed in this time.")


def fit_of(plant: Plant, measure: str, window: int) -> Fit | None:
    """Return the stored judgement."""
    return Fit.objects.filter(plant=plant, kind=KIND, scope=scope_of(measure, window)).first()


class Judgement(NamedTuple):
    """A visit as its stored judgement has it.

    made, counts  before and after it
    told          what was expected, the ratio with both its ends, and what is claimed among all visits ("lower",
                  "higher" or nothing); None each where nothing is told of it
    """

    machine: int
    day: dt.date
    made: tuple[int, int]
    counts: tuple[int, int]
    told: tuple[float | None, float | None, float | None, float | None, str | None]


def judgements(fit: Fit | None) -> dict[int, Judgement]:
    """Return every visit of a stored judgement, by its number."""
    if fit is None or "spans" not in fit.result:
        return {}
    columns, claimed = fit.result["visits"], set(fit.result["spans"][Span.ALL.value]["claimed"])
    made = {}
    for values in zip(*columns.values(), strict=True):
        one = dict(zip(columns, values, strict=True))
        claim = "" if one["visit"] not in claimed else "lower" if one["ratio"] < 1.0 else "higher"
        told = (one["expected"], one["ratio"], one["ratio_low"], one["ratio_high"], claim)
        made[one["visit"]] = Judgement(
            one["machine"],
            dt.date.fromisoformat(one["day"]),
            (one["made_before"], one["made_after"]),
            (one["counts_before"], one["counts_after"]),
            told if one["why"] == "" else (None, None, None, None, None),
        )
    return made


def page_of(fit: Fit | None, span: Span, machine: int | None, number: int, until: dt.date) -> Page:
    """Return what the page shows, of one machine where one is asked for; claims count in all that the span holds."""
    if fit is None or "spans" not in fit.result:
        return Page(fit, None, [], [], [], [], False, [])
    found = fit.result["spans"][span.value]
    everything, called, reasons, machines = _groups(found["groups"], machine)
    each, has_older = _each(fit.result["visits"], found, Scope(span=span).since(until), machine, number)
    return Page(fit, everything, called, reasons, machines, each, has_older, _said(found["groups"], fit))


def _groups(
    groups: Sequence[dict[str, Any]], machine: int | None
) -> tuple[Row | None, list[Row], list[Row], list[Row]]:
    """Return everything, the groups by the counts before, by reason and by machine; of a machine that one alone."""
    keys = [one["key"] for one in groups if one["kind"] == "machine"]
    named = dict(Machine.objects.filter(pk__in=keys).values_list("pk", "name"))
    kept = [one for one in groups if machine is None or (one["kind"] == "machine" and one["key"] == machine)]
    everything = next((_group("All visits", one) for one in kept if one["kind"] == "all"), None)
    called = [_group(CALLED[one["key"]], one) for one in kept if one["kind"] == "called"]
    reasons = [_group(Visit.Reason(one["key"]).label, one) for one in kept if one["kind"] == "reason"]
    machines = [
        _group(named[one["key"]], one, machine_url(one["key"]))
        for one in kept
        if one["kind"] == "machine" and one["key"] in named
    ]
    return everything, called, reasons, sorted(machines, key=lambda row: natural(row.name))


def _group(name: str, one: dict[str, Any], url: str = "") -> Row:
    return Row(
        name=name,
        visits=one["visits"],
        counts_before=one["counts_before"],
        made_before=one["made_before"],
        counts_after=one["counts_after"],
        made_after=one["made_after"],
        expected=one["expected"],
        ratio=one["ratio"],
        low=one["ratio_low"],
        high=one["ratio_high"],
        shown=one["shown"],
        fall=one["fall"],
        url=url,
    )


def _each(
    columns: dict[str, list[Any]], found: dict[str, Any], since: dt.date | None, machine: int | None, number: int
) -> tuple[list[Row], bool]:
    """Return a page of the visits, the newest first, and whether there are older ones."""
    first = since.isoformat() if since else ""
    chosen = [
        at
        for at, (day, of) in enumerate(zip(columns["day"], columns["machine"], strict=True))
        if day >= first and machine in (None, of)
    ]
    chosen.sort(key=lambda at: (columns["day"][at], columns["visit"][at]), reverse=True)
    here = chosen[(number - 1) * A_PAGE : number * A_PAGE]
    claimed, falls = set(found["claimed"]), _falls(columns, here, found["edge"])
    visits = [columns["visit"][at] for at in here]
    about = {
        pk: (name, Visit.Reason(reason).label)
        for pk, name, reason in Visit.objects.filter(pk__in=visits).values_list("pk", "machine__name", "reason")
    }
    rows = [
        _visit(columns, at, about[columns["visit"][at]], columns["visit"][at] in claimed, fall)
        for at, fall in zip(here, falls, strict=True)
        if columns["visit"][at] in about
    ]
    return rows, len(chosen) > number * A_PAGE


def _falls(columns: dict[str, list[Any]], here: list[int], edge: float) -> list[float | None]:
    """Return the smallest fall that would show, of each visit of which something is told."""
    mean, chance, doubt = (
        np.array([columns[name][at] if columns[name][at] is not None else np.nan for at in here], dtype=float)
        for name in ("expected", "chance", "doubt")
    )
    return [None if np.isnan(fall) else float(fall) for fall in smallest_fall(mean, chance, doubt, edge).tolist()]


def _visit(columns: dict[str, list[Any]], at: int, about: tuple[str, str], shown: bool, fall: float | None) -> Row:
    one = {name: values[at] for name, values in columns.items()}
    is_told = one["why"] == ""
    return Row(
        name=words.date(dt.date.fromisoformat(one["day"])),
        visits=1,
        counts_before=one["counts_before"],
        made_before=one["made_before"],
        counts_after=one["counts_after"],
        made_after=one["made_after"],
        expected=one["expected"] if is_told else None,
        ratio=one["ratio"] if is_told else None,
        low=one["ratio_low"] or 0.0,
        high=one["ratio_high"],
        shown=shown,
        fall=fall if is_told else None,
        url=visit_url(one["visit"]),
        machine=about[0],
        reason=about[1],
        called=one["called"],
        why=one["why"],
        usual=(one["low"], one["high"]) if is_told else None,
    )


def _said(groups: Sequence[dict[str, Any]], fit: Fit) -> list[str]:
    """Say what the judgement rests on, and how the reasons given go with the counts."""
    on = fit.rests_on
    rests = (
        f"Visits of the last {YEARS} years. Learned from {on['windows']} spans of days without a visit on "
        f"{words.plural(on['machines'], 'machine')}: from each one's own last 3, 7, 28 and 120 days and from the "
        "other machines of its line in the same days."
    )
    by_reason = {one["key"]: one for one in groups if one["kind"] == "reason"}
    called = sum(one["called"] for one in by_reason.values())
    named = sum(by_reason[reason.value]["called"] for reason in NAMED_HIGH if reason.value in by_reason)
    if not called:
        return [rests]
    return [
        rests,
        f"Before {words.plural(called, 'visit')} the rate had risen by the counts; at {named} of them the reason "
        "given is tear-offs or spoilage.",
    ]
