"""What the page of tools and wall says in sentences: the last can, its wall against the offset, the plant's ratio."""

from __future__ import annotations

import math
from dataclasses import dataclass

from linelog.calc.frame import clock_words
from linelog.calc.readings import View, clock_deg
from linelog.calc.units import Unit
from linelog.calc.wall import WallAgainstOffset
from linelog.trends import words
from linelog.trends.wall import WallPage
from linelog.trends.wall_pairs import LEARN_DAYS, METHODS, Learned, PackOffset, WallPoint, compare
from linelog.web.units import show_um

ELSEWHERE = (
    "Look elsewhere first: runout of punch and ram, a die off its seat, play in the bushings; "
    "or sweep the tool pack anew."
)
HANGS = {"static": "the ram hung while it was swept", "running": "measured while the machine ran"}


@dataclass(frozen=True, slots=True)
class MethodSaid:
    """The wall of the last can against the offset of one method, and what the plant learned from it."""

    method: str
    measured: str
    rigid: str
    verdict: str
    css: str
    words: str
    learned: str


def said(page: WallPage, unit: Unit) -> list[MethodSaid]:
    """Return what is said of static and of running, apart."""
    return [_method(page, method, unit) for method in METHODS]


def _method(page: WallPage, method: str, unit: Unit) -> MethodSaid:
    point, learned = page.latest, page.learned[method]
    told = ratio_words(learned, unit)
    match = page.match(point, method) if point else None
    if point is None or match is None or match.offset is None:
        return MethodSaid(method, _why_none(page, point, method), "", "", "", "", told)
    offset = match.offset
    found = compare(point, offset, learned)
    rigid, e, u = (show_um(um, unit, fine=True) for um in (found.rigid_um, point.size_um, point.expanded_um))
    difference, allowed = (show_um(um, unit, fine=True) for um in (found.difference_um, found.allowed_um))
    return MethodSaid(
        method=method,
        measured=_measured(page, point, offset, unit),
        rigid=f"Tools that do not yield would give e = {rigid} {unit.label}, an upper bound; this can has {e} ± {u}.",
        verdict="agrees with the offset" if found.agrees else "does not agree with the offset",
        css="in" if found.agrees else "out",
        words=f"{_expected(found, unit)}; the can is {difference} from that, {allowed} {unit.label} is within "
        f"{'what cans of this plant scatter by' if found.learned else 'the uncertainties'}."
        f"{'' if found.agrees else f' {ELSEWHERE}'}",
        learned=told,
    )


def _expected(found: WallAgainstOffset, unit: Unit) -> str:
    if not found.learned:
        return "Without a learned ratio, anything from none of the offset to all of it would agree"
    x, y = found.expected_x_um, found.expected_y_um
    thin = clock_words(clock_deg(-x, -y), View.CRANK)
    return f"From the plant's ratio expect e = {show_um(math.hypot(x, y), unit, fine=True)}, thin at {thin}"


def _measured(page: WallPage, point: WallPoint, offset: PackOffset, unit: Unit) -> str:
    days = (point.taken_at - offset.at).days
    when = offset.at.astimezone(page.zone).date()
    before = "the same day" if days == 0 else f"{words.plural(days, 'day')} before this can"
    size, expanded = (show_um(um, unit, fine=True) for um in (offset.size_um, offset.expanded_um))
    if offset.size_um <= offset.expanded_um:
        side = "no clear direction"
    else:
        side = f"toward {clock_words(offset.direction_deg, View.CRANK)}"
    return (
        f"{size} ± {expanded} {unit.label}, {side}. Signed {words.date(when)}, {before}; nothing moved since; "
        f"{HANGS[offset.method]}."
    )


def _why_none(page: WallPage, point: WallPoint | None, method: str) -> str:
    if point is None:
        return "No wall sample to hold it against."
    upset = page.match(point, method).upset
    if upset is None:
        return f"No signed {method} result of the tool pack before this can."
    when = upset.at.astimezone(page.zone).date()
    return f"No {method} offset holds for this can: {upset.what} on {words.date(when)}, after the last signed result."


def ratio_words(learned: Learned, unit: Unit) -> str:
    """Say what the plant has learned of its own tools."""
    pairs = words.plural(len(learned.pairs), "pair")
    if learned.ratio is None:
        return (
            f"Not enough pairs yet: {pairs} of walls and {learned.method} offsets in {LEARN_DAYS} days, 3 are needed."
        )
    ratio = learned.ratio
    clear = "" if ratio.clear else " The interval holds nought: nothing is shown yet."
    if ratio.clear and ratio.up_um:
        up = show_um(-ratio.up_um / ratio.value, unit, signed=True, with_unit=True)
        clear = f" With the ram hanging, packs read {up} up from where the wall says they are; that is taken off."
    return (
        f"The wall shows {ratio.value:.2f} of the {learned.method} offset "
        f"(95 %: {ratio.low:.2f} to {ratio.high:.2f}), learned from {pairs} of this plant "
        f"in {LEARN_DAYS} days; 1 would be tools that do not yield.{clear}"
    )


def mean_words(page: WallPage, unit: Unit) -> str:
    """Hold the mean wall of the last can against the schedule of the mounted set; empty where either lacks."""
    point, schedule = page.latest, page.schedule
    if point is None or schedule is None or schedule.made is None or page.fitting is None:
        return ""
    if point.tools != page.fitting.tooling_set.name:
        return (
            f"The last can was made with {point.tools or 'tools not known'}: its mean wall says nothing of this set."
        )
    out = schedule.made.mid[-1].wall_out_um
    mean, gap = show_um(point.mean_um, unit, fine=True), show_um(out, unit, fine=True)
    by = show_um(point.mean_um - out, unit, fine=True, signed=True, with_unit=True)
    return (
        f"Mean wall of the last can {mean}, gap of its last die {gap}: {by}. Tools give way and metal springs back, "
        "so the wall may come out a little thicker than the gap; much thicker, or thinner, asks for new diameters."
    )
