"""How a repeat problem reads: how often, which way, what it usually means."""

from __future__ import annotations

import datetime as dt
import math

from django.utils import timezone

from linelog.calc.frame import clock_words
from linelog.calc.readings import View
from linelog.trends import words
from linelog.trends.models.repeats import RepeatProblem, TakeUp
from linelog.trends.repeats.queries import Look
from linelog.trends.repeats.rule import Rule

Kind = RepeatProblem.Kind
Pattern = RepeatProblem.Pattern
Since = RepeatProblem.Since

#: Hypotheses to check, not diagnoses: shop practice.
USUALLY = {
    Pattern.SAME_WAY: "A mount that settles, fasteners that slacken, the base under it.",
    Pattern.SCATTERED: "Clearance, wear, or the measurement itself: sweep it twice without touching anything.",
    Pattern.NOT_CLEAR: "More visits are needed to tell: settling would point one way, wear or clearance to and fro.",
    Pattern.UP: "Worn bushings: the ram has gone down, so that every station reads high. Look for scoring below.",
    Pattern.DOWN: "The ram has gone up, or the bed under the stations has settled: check the bushings last fitted.",
    Pattern.SIDEWAYS: "The ram has gone to the side: bushings worn on one side, or a push from the drive.",
    Pattern.THERMAL: "Warmth: bed and ram grow unalike. Measure in the same state each time.",
    Pattern.ABOVE: "Something of this machine alone: its tools, its feed, its metal.",
}
STATES = {
    Since.OPEN: "out",
    Since.BACK: "out",
    Since.IN_WORK: "unsure",
    Since.WAITING: "unsure",
    Since.GONE: "in",
}
CHECK = {
    Pattern.SAME_WAY: "Is it always the same fastener or shim pack? Mark it, torque it, and look again in a week.",
    Pattern.SCATTERED: "Locked out and verified, fingers clear of pinch points, rock it by hand with the dial on it: "
    "what moves without a wrench is clearance.",
    Pattern.NOT_CLEAR: "Go on measuring at each visit; nothing points anywhere yet.",
    Pattern.UP: "Lift the ram at the front bushing with the dial on it, locked out: what it rises is clearance.",
    Pattern.DOWN: "Sweep both bushings first: the stations may stand well and the ram line be off.",
    Pattern.SIDEWAYS: "Sweep both bushings first, and look which side of them shines.",
    Pattern.THERMAL: "Write the oil's temperature at each visit; measure once cold and once warm in one shift.",
    Pattern.ABOVE: "Hold the findings of this machine against those of its neighbours on the same coils.",
}

MOST_ONE_IN = 100_000  # no plant has seen enough visits to say less


def how_often(problem: RepeatProblem) -> str:
    """Say how often it was found among the last visits or months."""
    if problem.is_by_month:
        return f"above its expected count in {problem.times} of the last {words.plural(problem.looked_at, 'month')}"
    what = "all together" if problem.kind == Kind.MACHINE else "out"
    return f"{what} on {problem.times} of the last {words.plural(problem.looked_at, 'as-found visit')}"


def which_way(problem: RepeatProblem) -> str:
    """Say the pattern, with its direction where it has one."""
    pattern = Pattern(problem.pattern)
    if pattern is Pattern.SAME_WAY and problem.mean_deg is not None:
        return f"{pattern.label}, toward {clock_words(problem.mean_deg, view_of(problem))}"
    return str(pattern.label)


def view_of(problem: RepeatProblem) -> View:
    """Return the end its directions are told from: the station's usual one; from the crank where it is many."""
    return View(problem.station.view) if problem.station else View.CRANK


def how_sure(problem: RepeatProblem) -> str:
    """Say how easily chance would make directions agree so well."""
    p = problem.rayleigh_p
    if p is None or problem.is_by_month:
        return ""
    return f"Rayleigh test p = {p:.3f}" if p >= 0.001 else "Rayleigh test p < 0.001"


def how_plain(problem: RepeatProblem, rule: Rule) -> str:
    """Say why two visits were enough, where the rule alone would have waited."""
    if problem.plain_share is None or problem.plain_chance is None or problem.times >= rule.out_of:
        return ""
    one_in = min(1.0 / problem.plain_chance, MOST_ONE_IN)
    step = 10 ** int(math.log10(one_in))
    seldom = f"fewer than 1 of {int(one_in // step) * step:,}"
    return (
        f"Told after two visits in a row, since they are plain: each found it at {problem.plain_share:.1f} of its "
        f"limit or further, doubt taken off, and the same way, though it had been set well inside between them. Of "
        f"stations as this plant usually finds them chance gives that in {seldom}."
    )


def since_when(problem: RepeatProblem) -> str:
    """Say when it began, as far as that can be told."""
    if problem.began_high is None:
        return "No day can be told on which it began."
    high = words.date(problem.began_high)
    if problem.began_low is not None and problem.began_on is not None:
        low, likely = words.date(problem.began_low), words.date(problem.began_on)
        return f"It began between {low} and {high}, most likely about {likely} (90 % interval)."
    if problem.began_on is not None:
        return f"It began before {high}, most likely about {words.date(problem.began_on)}."
    return f"It began before {high}, and may be older than what is looked at."


def noticed(problem: RepeatProblem) -> str:
    """Say when the rule first held, and when it was found last: days, or months."""
    first = f"{problem.noticed_on:%Y-%m}" if problem.is_by_month else words.date(problem.noticed_on)
    return f"{first}, {last_time(problem)}"


def last_time(problem: RepeatProblem) -> str:
    """Say when it was found last: a day, or a month."""
    if problem.is_by_month:
        return f"last in {problem.last_on:%Y-%m}"
    return f"last on {words.date(problem.last_on)}"


def how_fast(problem: RepeatProblem) -> str:
    """Say after how many strokes it was found again."""
    million = problem.comes_back_million
    return "–" if million is None else f"{million:.1f} million strokes"


def state(problem: RepeatProblem) -> str:
    """Say where it stands: not taken up, in work, waiting for visits, came back, has not come back, or not found."""
    if problem.since == Since.OPEN:
        return "not taken up" if problem.holds else "no longer found"
    if problem.since == Since.IN_WORK:
        return in_work(problem)
    if problem.since == Since.WAITING and problem.is_by_month:
        return "not enough months yet"
    return str(Since(problem.since).label)


def in_work(problem: RepeatProblem) -> str:
    """Say who is at it and by when; the one whose day comes first where there are more."""
    at_it: list[TakeUp] = getattr(problem, "at_it", [])
    first = min(at_it, key=lambda one: one.due_on or dt.date.max, default=None)
    if first is None or first.owner is None:
        return str(Since.IN_WORK.label)
    if first.due_on is None:
        return f"in work: {first.owner}"
    if first.due_on < timezone.localdate():
        return f"in work: {first.owner}; it was to be done by {words.date(first.due_on)}"
    return f"in work: {first.owner}, by {words.date(first.due_on)}"


def css(problem: RepeatProblem) -> str:
    """Return the class that gives the state its shape."""
    if problem.since == Since.OPEN and not problem.holds:
        return "none"
    return STATES[Since(problem.since)]


def whether_back(look: Look) -> str:
    """Say in a sentence whether it came back since it was last taken up."""
    if all(taken.in_work for taken in look.take_ups):
        return "Nothing was done yet."
    times, looked_at = look.since
    one = "month" if look.problem.is_by_month else "visit"
    if looked_at == 0:
        return f"No {one} since then: not enough {one}s yet to say."
    counted = f"found again on {times} of the {words.plural(looked_at, one)} since then"
    rule = f"the rule asks for {look.rule.out_of} of {look.rule.last}"
    if look.problem.since == Since.BACK and times < look.rule.out_of:
        return f"It came back: {counted}, so plainly that two in a row are enough."
    if look.problem.since == Since.BACK:
        return f"It came back: {counted} ({rule})."
    if look.problem.since == Since.GONE:
        return f"It has not come back: {counted} ({rule})."
    return f"Not enough {one}s yet: {counted} ({rule})."


def temperature(look: Look) -> str:
    """Say what is known of the temperature."""
    if look.now is None or look.now.warm is None:
        return ""
    warm = look.now.warm
    return (
        f"Between visits it moves with the {look.now.goes_with} temperature (rank correlation {warm.rho:.2f}, "
        f"p = {max(warm.p, 0.001):.3f}, {warm.n} pairs of visits)."
    )
