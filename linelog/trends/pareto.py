"""Pareto charts of findings: by machine, defect code, station and tooling set, each bar with what was expected.

A bar that has no more than chance leaves it is grey: only what stands out of the whole chart is called more.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from linelog.calc.pareto import Bars, by_base, by_exposure, by_strata
from linelog.calc.rates import MILLION, rates_per_million
from linelog.trends import words
from linelog.trends.addresses import machine_findings_url
from linelog.trends.queries.pareto import Material, Occasion

MORE, CHANCE, UNKNOWN = "more than chance", "no more than chance", "nothing to hold it against"


@dataclass(frozen=True, slots=True)
class Bar:
    """One group: occasions with their exact interval, what was expected, and what is made of it.

    least, most  the counts that chance leaves it where `expected` is expected
    """

    label: str
    count: int
    low: float
    high: float
    cans: int
    expected: float | None
    least: float | None
    most: float | None
    p_chart: float | None
    word: str
    machine_id: int | None = None

    @property
    def url(self) -> str:
        """Where the findings of the bar are, where it is a machine's."""
        return machine_findings_url(self.machine_id) if self.machine_id else ""

    @property
    def state(self) -> str:
        """The class that gives the word its shape."""
        return {MORE: "out", UNKNOWN: "unsure"}.get(self.word, "none")

    @property
    def chance(self) -> str:
        """The corrected chance as it is read."""
        if self.p_chart is None:
            return "–"
        return "< 0.001" if self.p_chart < 0.001 else f"{self.p_chart:.3f}"


@dataclass(frozen=True, slots=True)
class Chart:
    """One Pareto chart, its bars the tallest first; `against` says what the expected counts rest on."""

    key: str
    title: str
    against: str
    bars: tuple[Bar, ...]
    notes: tuple[str, ...] = ()

    @property
    def more(self) -> tuple[Bar, ...]:
        """The bars that chance does not explain."""
        return tuple(bar for bar in self.bars if bar.word == MORE)

    @property
    def said(self) -> str:
        """What the chart says, in a sentence."""
        if not self.bars:
            return "Nothing to show."
        if all(bar.expected is None for bar in self.bars):
            return "There is nothing to hold these counts against, so none of them can be called tall."
        if not self.more:
            return f"Chance alone explains all {words.plural(len(self.bars), 'bar')}, the tallest too."
        names = ", ".join(bar.label for bar in self.more)
        return f"More than chance explains, of {words.plural(len(self.bars), 'bar')}: {names}."


@dataclass(frozen=True, slots=True)
class Choice:
    """Which occasions are looked at: of one code, of one machine, or all."""

    code_id: int | None = None
    machine_id: int | None = None

    def of_code(self, rows: Iterable[Occasion]) -> list[Occasion]:
        """Return the occasions of the code, of all machines."""
        return [one for one in rows if self.code_id in (None, one.code_id)]


def charts(material: Material, choice: Choice) -> list[Chart]:
    """Return the four charts."""
    return [
        by_machine(material, choice),
        by_code(material, choice),
        by_station(material, choice),
        by_set(material, choice),
    ]


def _bars(
    labels: Sequence[str],
    cans: Sequence[int],
    counts: Sequence[int],
    found: Bars | None,
    machines: Sequence[int] = (),
) -> tuple[Bar, ...]:
    """Put bars together, the tallest first; without what was expected where `found` is None."""
    if found is None:
        alone = rates_per_million(counts, MILLION) if counts else None  # of a million: the count itself
        ends = zip(alone.low.tolist(), alone.high.tolist(), strict=True) if alone else ()
        rows: list[Any] = [(low, high, None, None, None, None, UNKNOWN) for low, high in ends]
    else:
        said = [MORE if out else CHANCE for out in found.stands_out.tolist()]
        columns = (found.low, found.high, found.expected, found.least, found.most, found.p_chart)
        rows = list(zip(*(column.tolist() for column in columns), said, strict=True))
    ids: Sequence[int | None] = machines or [None] * len(labels)
    made = [
        Bar(label, count, low, high, spoiled, expected, least, most, p, word, pk)
        for label, count, spoiled, (low, high, expected, least, most, p, word), pk in zip(
            labels, counts, cans, rows, ids, strict=True
        )
    ]
    return tuple(sorted(made, key=lambda bar: (-bar.count, bar.label)))


def by_machine(material: Material, choice: Choice) -> Chart:
    """Count by machine, against each machine's share of the cans."""
    rows = choice.of_code(material.occasions)
    led = [one for one in rows if one.machine_id is not None]
    running = [pk for pk in material.machines if material.cans.get(pk, 0) > 0]
    counts = Counter(one.machine_id for one in led)
    spoiled = _cans_of(led, lambda one: [one.machine_id])
    notes = _not_led(len(rows) - len(led))
    idle = sum(number for pk, number in counts.items() if pk not in running)
    if idle:
        notes += (f"{words.plural(idle, 'occasion')} of machines without counted cans in this span left out.",)
    against = "Expected: each machine's share of all cans begun in the span."
    seen = [counts[pk] for pk in running]
    if len(running) < 2 or not any(seen):
        return Chart("machine", "By machine", against, (), (*notes, _too_few(len(running), sum(seen))))
    found = by_exposure(seen, [material.cans[pk] for pk in running])
    labels = [material.machines[pk] for pk in running]
    return Chart(
        "machine", "By machine", against, _bars(labels, [spoiled[pk] for pk in running], seen, found, running), notes
    )


def _too_few(running: int, seen: int) -> str:
    if seen == 0:
        return "No finding of this span leads to one machine."
    return f"Cans were counted on {words.plural(running, 'machine')}: a share needs two."


def _not_led(number: int) -> tuple[str, ...]:
    return (f"{words.plural(number, 'occasion')} left out that lead to no single machine.",) if number else ()


def _cans_of(rows: Iterable[Occasion], groups: Callable[[Occasion], Iterable[object]]) -> Counter[object]:
    found: Counter[object] = Counter()
    for one in rows:
        for group in groups(one):
            found[group] += one.cans
    return found


def by_code(material: Material, choice: Choice) -> Chart:
    """Count by defect code, against the span before, or against the other machines where one is chosen."""
    return _against_base("code", "By defect code", material, choice, lambda one: [one.code])


def by_station(material: Material, choice: Choice) -> Chart:
    """Count by the station that the symptom table points to; a code that points to several counts under each."""
    note = "By the plant's symptom table: hypotheses. A code that points to two stations counts under both."
    chart = _against_base(
        "station", "By station that the symptom points to", material, choice,
        lambda one: sorted(material.kinds.get(one.code_id, ())),
    )  # fmt: skip
    return replace(chart, notes=(note, *chart.notes))


def _against_base(
    key: str, title: str, material: Material, choice: Choice, groups: Callable[[Occasion], list[str]]
) -> Chart:
    rows = choice.of_code(material.occasions)
    all_cans = sum(material.cans.values())
    if choice.machine_id is None:
        mine, base, cans, base_cans = rows, choice.of_code(material.earlier), all_cans, material.earlier_cans
        against = "Expected: as often per can as in the span of the same length before."
    else:
        mine = [one for one in rows if one.machine_id == choice.machine_id]
        base = [one for one in rows if one.machine_id not in (None, choice.machine_id)]
        cans = material.cans.get(choice.machine_id, 0)
        base_cans = all_cans - cans
        against = "Expected: as often per can as on the other machines in the same span."
    counts: Counter[str] = Counter(group for one in mine for group in groups(one))
    before: Counter[str] = Counter(group for one in base for group in groups(one))
    spoiled = _cans_of(mine, groups)
    labels = sorted(counts)
    seen = [counts[label] for label in labels]
    known = bool(labels) and cans > 0 and base_cans > 0 and bool(base)
    found = by_base(seen, cans, [before[label] for label in labels], base_cans) if known else None
    return Chart(key, title, against, _bars(labels, [spoiled[label] for label in labels], seen, found))


def by_set(material: Material, choice: Choice) -> Chart:
    """Count by tooling set, against the other sets of the same machines: so a bad machine makes no bad set."""
    rows = [one for one in choice.of_code(material.occasions) if choice.machine_id in (None, one.machine_id)]
    led = [one for one in rows if one.machine_id is not None]
    share = _shares(material)
    sure = [one for one in led if len(one.sets) == 1 and (one.machine_id, *one.sets) in share]
    notes = _not_led(len(rows) - len(led))
    if len(sure) < len(led):
        lost = words.plural(len(led) - len(sure), "occasion")
        notes += (f"{lost} left out, of days with no set, with two, or without counted cans.",)
    counts = Counter(next(iter(one.sets)) for one in sure)
    spoiled = _cans_of(sure, lambda one: one.sets)
    trials: dict[int, list[float]] = {}
    on_machine: dict[int | None, list[tuple[int, float]]] = {}
    for (machine_id, set_id), part in share.items():
        on_machine.setdefault(machine_id, []).append((set_id, part))
    for one in sure:
        for set_id, part in on_machine[one.machine_id]:
            trials.setdefault(set_id, []).append(part)
    ids = sorted(counts)
    against = (
        "Expected: the set's share of the cans of each machine that it was on, against that machine's other sets."
    )
    seen = [counts[pk] for pk in ids]
    found = by_strata(seen, [trials[pk] for pk in ids]) if ids else None
    bars = _bars([material.sets[pk] for pk in ids], [spoiled[pk] for pk in ids], seen, found)
    return Chart("set", "By tooling set", against, bars, notes)


def _shares(material: Material) -> dict[tuple[int | None, int], float]:
    """Return each set's share of the cans of a machine, where it made any there."""
    totals: Counter[int] = Counter()
    for (machine_id, _), cans in material.set_cans.items():
        totals[machine_id] += cans
    return {(pk, set_id): cans / totals[pk] for (pk, set_id), cans in material.set_cans.items() if cans > 0}
