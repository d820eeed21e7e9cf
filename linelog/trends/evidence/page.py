"""What the pages of misalignment and rates show: stored answers; those of rare questions are worked out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from django.core.cache import cache

from linelog.calc.errors import CalcError
from linelog.calc.misalignment import FEWEST_MACHINES
from linelog.calc.money import CostRates, cost_of
from linelog.calc.offset_path import Wander
from linelog.plant.models import Machine, Plant, Station, ToolingSet
from linelog.production.models import SpoilageCause
from linelog.trends import words
from linelog.trends.evidence import say
from linelog.trends.evidence.answer import Answer, Monthly, answer
from linelog.trends.evidence.family import judged
from linelog.trends.evidence.leading import ALGORITHM, KIND
from linelog.trends.evidence.looked import Looked, look
from linelog.trends.evidence.refits import WANDER_KIND, wander_of
from linelog.trends.evidence.scope import CAUSE, GROUP_NAMES, GROUPS, SPOILED, TEAR_OFFS, USUAL_SPAN, Scope
from linelog.trends.evidence.table import Table, read
from linelog.trends.models import Fit, Stale
from linelog.web.templatetags.units import count

Ask = Callable[[Scope], Answer]
KEPT_S = 3600
MOST_SETS = 30  # those that stand out first, then those with the most cans


@dataclass(frozen=True, slots=True)
class Line:
    """One row of a small table: a name, the ratio per limit of offset with its interval, or why there is none."""

    name: str
    answers: tuple[Answer, ...]


@dataclass(frozen=True, slots=True)
class WorthRow:
    """What holding every machine within limits goes with, a month."""

    name: str
    what: str
    fewer: Monthly | None
    money: Monthly | None
    sentence: str


@dataclass(frozen=True, slots=True)
class SetRow:
    """Counts with one tooling set against what was expected."""

    name: str
    counts: int
    cans: int
    ratio: float
    low: float
    high: float
    word: str


@dataclass(frozen=True, slots=True)
class Page:
    """Everything on the page."""

    scope: Scope
    answer: Answer
    differ: str
    rests: list[str]
    worth: list[WorthRow]
    stations: list[Line]
    causes: list[Line]
    sets: list[SetRow]
    more_sets: int
    set_power: str
    made_at: dt.datetime | None
    stale: int


class Store:
    """Answers of one plant on one day: stored ones are read at once, others worked out and remembered for an hour."""

    def __init__(self, plant: Plant, until: dt.date) -> None:
        self.plant, self.until = plant, until
        self.rows = Fit.objects.filter(plant=plant, kind=KIND, result__algorithm=ALGORITHM)
        self.fits = {fit.scope: fit for fit in self.rows.defer("result")}
        self.made_at = max((fit.made_at for fit in self.fits.values()), default=None)
        self._whole: dict[str, Answer] = {}
        self._effects: dict[str, Any] = {}

    def fleet(self, scope: Scope) -> Answer:
        """Return the answer for all machines of the plant."""
        stored = self._stored(scope.key) if scope.tooling is None and scope.key in self.fits else None
        if stored is not None:
            return stored
        machines = Machine.objects.filter(line__plant=self.plant).values("pk")
        return self._kept(f"fleet/{scope.tooling}/{scope.key}", lambda: self._answer(machines, scope))

    def in_short(self, scope: Scope) -> Answer:
        """Return the stored answer for all machines without its points and parts, which are long; any other whole."""
        fit = self.fits.get(scope.key) if scope.tooling is None else None
        if fit is None:
            return self.fleet(scope)
        if not self._effects:
            self._effects = dict(self.rows.values_list("scope", "result__effect"))
        return Answer(fit.sentence, fit.rests_on, self._effects.get(scope.key))

    def wander(self) -> dict[int, Wander]:
        """Return how the stations of the plant wander, as it was learned from all of its machines."""
        kept = Fit.objects.filter(plant=self.plant, kind=WANDER_KIND).values_list("result", flat=True).first()
        return wander_of(kept or {})

    def _stored(self, key: str) -> Answer | None:
        """Read a stored answer once; None where a refit has just taken it out."""
        if key not in self._whole:
            for result in self.rows.filter(scope=key).values_list("result", flat=True):
                self._whole[key] = Answer.of(result)
        return self._whole.get(key)

    def machine(self, machine: Machine, scope: Scope, table: Callable[[], Known]) -> Answer:
        """Return the answer for one machine; what the whole fleet did at the time is taken out."""
        fleet = self.fleet(Scope(scope.measure, span=scope.span))
        factors = fleet.factors if fleet.rests_on.get("machines", 0) >= FEWEST_MACHINES else None
        key = f"machine/{machine.pk}/{scope.tooling}/{scope.key}"
        return self._kept(key, lambda: answer(table().table, scope, self.until, table().looked, factors))

    def _answer(self, machines: Any, scope: Scope) -> Answer:
        known = look_at(read(machines, scope.since(self.until)), self.wander)
        found = answer(known.table, scope, self.until, known.looked)
        return judged({scope: found})[scope]

    def _kept(self, key: str, work: Callable[[], Answer]) -> Answer:
        made = self.made_at.timestamp() if self.made_at else 0
        whole = f"evidence/{self.plant.pk}/{made}/{self.until}/{key}".replace(" ", "_")
        found: Answer | None = cache.get(whole)
        if found is None:
            found = work()
            cache.set(whole, found, KEPT_S)
        return found


def fleet_page(plant: Plant, scope: Scope, until: dt.date) -> Page:
    """Read the page of the fleet."""
    store = Store(plant, until)
    stale = Stale.objects.filter(machine__line__plant=plant).count()
    return _page(store, scope, store.fleet, store.in_short, stale=stale)


def fleet_answer(plant: Plant, scope: Scope, until: dt.date) -> Answer:
    """Read the answer of the fleet alone, for its chart."""
    return Store(plant, until).fleet(scope)


def machine_answer(machine: Machine, scope: Scope, until: dt.date) -> Answer:
    """Read the answer of one machine alone, for its chart."""
    store = Store(machine.line.plant, until)
    known = _once(lambda: look_at(read([machine.pk]), store.wander))
    found = store.machine(machine, scope, known)
    return judged({scope: found})[scope]


def machine_page(machine: Machine, scope: Scope, until: dt.date) -> Page:
    """Read the page of one machine."""
    store = Store(machine.line.plant, until)
    known = _once(lambda: look_at(read([machine.pk]), store.wander))
    stale = Stale.objects.filter(machine=machine).count()

    def ask(asked: Scope) -> Answer:
        return store.machine(machine, asked, known)

    asked = dict.fromkeys([scope, *_shown_on(store, scope)])
    answers = judged({one: ask(one) for one in asked})
    return _page(store, scope, answers.__getitem__, answers.__getitem__, stale=stale)


@dataclass(frozen=True, slots=True)
class Known:
    """Pieces, and where their stations stood."""

    table: Table
    looked: Looked | None


def look_at(table: Table, wander: Callable[[], dict[int, Wander]]) -> Known:
    """Work out where the stations stood, as they wander in the whole plant."""
    try:
        found = look(table, wander())
    except CalcError:
        found = None
    return Known(table, found[0] if found else None)


def _shown_on(store: Store, scope: Scope) -> Iterator[Scope]:
    """Yield the questions of a page beside its own."""
    for measure in (TEAR_OFFS, SPOILED):
        yield Scope(measure, scope.station, scope.span, scope.tooling)
        yield from (Scope(measure, kind, USUAL_SPAN) for kind in _kinds(store))
    yield from (Scope(CAUSE + code, span=USUAL_SPAN) for code, _ in _causes(store))


def _kinds(store: Store) -> list[str]:
    return [one for one in (*GROUPS, *Station.Kind.values) if Scope(TEAR_OFFS, one).key in store.fits]


def _causes(store: Store) -> list[tuple[str, str]]:
    rows = SpoilageCause.objects.filter(plant=store.plant).order_by("name").values_list("code", "name")
    return [(code, name) for code, name in rows if Scope(CAUSE + code).key in store.fits]


def _once(work: Callable[[], Known]) -> Callable[[], Known]:
    kept: list[Known] = []

    def read_once() -> Known:
        if not kept:
            kept.append(work())
        return kept[0]

    return read_once


def _page(store: Store, scope: Scope, ask: Ask, ask_in_short: Ask, *, stale: int) -> Page:
    found = ask(scope)
    sets = _sets(found)
    names: dict[str, str] = GROUP_NAMES | dict(Station.Kind.choices)

    def line(name: str, *scopes: Scope) -> Line:
        return Line(name, tuple(ask_in_short(one) for one in scopes))

    both = (TEAR_OFFS, SPOILED)
    return Page(
        scope=scope,
        answer=found,
        differ=say.why_they_differ(found.effect, found.plain),
        rests=rests(scope, found),
        worth=worth(store.plant, scope, ask),
        stations=[line(names[kind], *(Scope(one, kind, USUAL_SPAN) for one in both)) for kind in _kinds(store)],
        causes=[line(name, Scope(CAUSE + code, span=USUAL_SPAN)) for code, name in _causes(store)],
        sets=sets[:MOST_SETS],
        more_sets=max(0, len(sets) - MOST_SETS),
        set_power=say.set_power(found.set_power),
        made_at=store.made_at,
        stale=stale,
    )


def rests(scope: Scope, found: Answer) -> list[str]:
    """Say in plain words what an answer rests on and what was left out."""
    on = found.rests_on
    said = [
        f"{count(on['cans'])} cans and {count(on['counts'])} {scope.noun}, in "
        f"{words.plural(on['stretches'], 'stretch', 'stretches')} of time between two signed visits on "
        f"{words.plural(on['machines'], 'machine')}, {count(on['days'])} days from first to last."
    ]
    if found.effect:
        clusters = int(found.effect["clusters"])
        by = (
            words.plural(clusters, "machine")
            if on["machines"] > 3
            else words.plural(clusters, "stretch", "stretches")
        )
        said.append(
            f"The interval comes of how unlike {by} are (each left out in turn, t distribution), so that it holds "
            "where counts come in clusters. Each machine's own level, each line's months, cans since the visit and "
            "since the tools were put on are taken out."
        )
    if on.get("unfound"):
        said.append(
            f"{words.plural(on['unfound'], 'stretch', 'stretches')} more without a corrected offset: another carrier "
            "found the station than had left it, or nothing was counted on the machine."
        )
    if on["unmeasured"]:
        said.append(
            f"{words.plural(on['unmeasured'], 'stretch', 'stretches')} left out: no visit before, or none after "
            "yet, measured this, so nobody knows how far out it was."
        )
    if on["empty"]:
        said.append(f"{words.plural(on['empty'], 'stretch', 'stretches')} without a can left out.")
    if on["odd"]:
        said.append(
            f"In {words.plural(on['odd'], 'stretch', 'stretches')} more cans were spoiled than good: "
            "check those counts first."
        )
    return said


def worth(plant: Plant, scope: Scope, ask: Ask) -> list[WorthRow]:
    """Work out what holding every machine within limits would be worth a month, at the plant's own costs."""
    rates = CostRates(plant.can_cost, plant.tear_off_clear_minutes, plant.minute_value)
    prices = {TEAR_OFFS: cost_of(0.0, 1.0, rates).total, SPOILED: cost_of(1.0, 0.0, rates).total}
    rows = []
    for measure, name, what in (
        (TEAR_OFFS, "Tear-offs", "the time to clear them"),
        (SPOILED, "Spoiled cans", "the cans, tear-offs' own among them"),
    ):
        found = ask(Scope(measure, scope.station, scope.span, scope.tooling))
        fewer, price = found.monthly, prices[measure]
        money = Monthly(fewer.count * price, fewer.low * price, fewer.high * price) if fewer else None
        rows.append(WorthRow(name, what, fewer, money, _worth_words(found)))
    both = [row.money for row in rows if row.money]
    if len(both) == len(rows):
        total = Monthly(*(sum(getattr(one, end) for one in both) for end in ("count", "low", "high")))
        rows.append(WorthRow("Together", "ends added up", None, total, ""))
    return rows


def _worth_words(found: Answer) -> str:
    if found.monthly is None:
        return found.sentence
    share = found.rests_on["out"] / max(found.rests_on["cans"], 1)
    beyond = f"{100 * share:.0f} % of the cans were made beyond the limits."
    if not found.rests_on["out"]:
        return "Nothing was beyond its limit in this time."
    return (
        beyond if found.shown and found.monthly.low > 0.0 else f"{beyond} No link is shown: it may be worth nothing."
    )


def _sets(found: Answer) -> list[SetRow]:
    names = ToolingSet.objects.in_bulk([one.label for one in found.tooling])
    rows = []
    for one in found.tooling:
        word = "no different" if not one.shown else "above" if one.ratio > 1.0 else "below"
        name = str(names.get(one.label, "a set that is gone"))
        rows.append(SetRow(name, one.counts, one.cans, one.ratio, one.low, one.high, word))
    return sorted(rows, key=lambda row: (row.word == "no different", -row.cans))


def sets_of(machines: Iterable[int] | Any) -> list[tuple[int, str]]:
    """Return the tooling sets that were ever on these machines."""
    rows = ToolingSet.objects.filter(fittings__machine__in=machines).order_by("name").distinct()
    return list(rows.values_list("pk", "name"))
