"""Whose a found can is likely to be: every mark in use about its day, weighed by the odds of `calc.mark_odds`.

A mark that fits as typed stands first, whatever its chance; then others in the order of theirs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from linelog.calc.mark_odds import MOST_DAYS_OFF, Possible, share_by_age, weigh
from linelog.calc.misread import chance_typed, chance_unrecorded
from linelog.trends import words
from linelog.trends.bearing import Bearers, Bearing, may_be
from linelog.trends.mark_evidence import LOOKED_AT_DAYS, Evidence, Like
from linelog.trends.odds import CandidateOdds, Likely
from linelog.trends.tracing import Asked, Candidate, Leads, Traced

SURE = 0.98  # one machine alone is named from here; below it, others are named beside it
OFFERED = 0.01  # from here a mark that does not fit as typed is offered
OFFERED_WITHOUT_MARK = 0.1
MOST_OFFERED = 6
FEW_LIKE = 10
LIKELIER = 0.5  # a mark that fits, but is less likely than this, is no answer


def weighed(asked: Asked, traced: Traced, bearers: Bearers, evidence: Evidence) -> Traced:
    """Return what a mark leads to with the odds of every candidate."""
    if asked.machine is not None:
        return traced
    like = evidence.like(asked.code_id, asked.day, asked.pk)
    odds = _odds(asked, bearers, evidence, like)
    fit = [one for one in odds if one.fits]
    least = OFFERED if asked.mark else OFFERED_WITHOUT_MARK
    likeliest = [one for one in odds if not one.fits and one.chance >= least][:MOST_OFFERED]
    offered = (*fit, *likeliest)
    others = max(0.0, 1.0 - sum(one.chance for one in offered))
    told = Likely(offered, others, _rests_on(evidence, like), _thin(like))
    return _decided(asked, replace(traced, likely=told), fit, likeliest)


def _decided(
    asked: Asked, traced: Traced, fit: Sequence[CandidateOdds], likeliest: Sequence[CandidateOdds]
) -> Traced:
    named = tuple({one.bearing.machine_id: _candidate(one) for one in (*fit, *likeliest)}.values())
    if not asked.mark:
        return replace(traced, candidates=named)
    if traced.leads is Leads.ONE:
        chance = sum(one.chance for one in fit)
        if chance >= SURE:
            return traced
        if chance >= LIKELIER:
            return replace(traced, leads=Leads.LIKELY, candidates=named)
        return replace(traced, leads=Leads.SEVERAL, candidates=named, doubts=(_unlikely(fit[0]), *traced.doubts))
    if traced.leads is Leads.NONE and likeliest:
        return replace(traced, leads=Leads.MISREAD, candidates=named)
    return replace(traced, candidates=named) if traced.leads is Leads.SEVERAL else traced


def _unlikely(one: CandidateOdds) -> str:
    machine = one.bearing.machine
    why = "made no cans that day by its counts" if one.stood else "is the less likely one by what is counted"
    return f"{machine} {why}: the mark, or its day, is rather misread than its own ({one.percent})."


def _candidate(one: CandidateOdds) -> Candidate:
    return Candidate(one.bearing.machine_id, one.bearing.machine, one.bearing.line, one.bearing)


def _odds(asked: Asked, bearers: Bearers, evidence: Evidence, like: Like) -> list[CandidateOdds]:
    rows = [row for row in bearers.all if row.days_off(asked.day) <= MOST_DAYS_OFF]
    fits = [row.holds(asked.day) and bool(asked.mark) and may_be(asked.mark, row.mark) for row in rows]
    shares = _by_age(asked, [row for row, fit in zip(rows, fits, strict=True) if fit], evidence)
    marks = Counter(row.machine_id for row in rows if row.holds(asked.day))
    possible = [_possible(asked, row, evidence, like, shares, marks[row.machine_id]) for row in rows]
    chances = weigh(possible, chance_unrecorded(asked.mark)).chances
    total = sum(like.counted.values())
    found = [
        CandidateOdds(
            bearing=row,
            fits=fit if asked.mark else None,
            chance=chance,
            like=like.counted.get(row.machine_id, 0),
            like_of_all=total,
            cans=one.cans,
            stood=not asked.day_is_guess and evidence.stood(row.machine_id, asked.day),
            days_off=one.days_off,
            fit_days=max(0, (asked.day - row.starts_on).days),
        )
        for row, fit, one, chance in zip(rows, fits, possible, chances, strict=True)
    ]
    return sorted(found, key=lambda one: -one.chance)


def _possible(
    asked: Asked,
    row: Bearing,
    evidence: Evidence,
    like: Like,
    shares: dict[Bearing, float],
    marks: int,
) -> Possible:
    return Possible(
        typed=chance_typed(asked.mark, row.mark, evidence.how) if asked.mark else 1.0,
        days_off=row.days_off(asked.day),
        cans=None if asked.day_is_guess else evidence.cans_on(row.machine_id, asked.day),
        found=like.found.get(row.machine_id, 0.0),
        expected=like.expected.get(row.machine_id, 0.0),
        marks=max(1, marks),
        fit=shares.get(row, 1.0),
    )


def _by_age(asked: Asked, fit: Sequence[Bearing], evidence: Evidence) -> dict[Bearing, float]:
    """Weigh who fits by the age of the fit, as often as the newest was the true one."""
    newest = max(fit, key=lambda row: row.starts_on, default=None)
    of_newest, of_others = share_by_age(evidence.counted.newest, evidence.counted.several, len(fit))
    return {row: of_newest if row is newest else of_others for row in fit}


def _rests_on(evidence: Evidence, like: Like) -> tuple[str, ...]:
    counted = evidence.counted
    lines = [
        f"Findings of this defect within {LOOKED_AT_DAYS} days whose machine is known: {sum(like.counted.values())}.",
        f"Marks that are misread: {100.0 * evidence.how.share:.0f} %; set for the plant are "
        f"{100.0 * evidence.set_share:.0f} %, and {_counts(evidence)}.",
    ]
    if counted.several:
        lines.append(
            f"Where a mark was on several machines and the right one was known, it was the newest fit in "
            f"{counted.newest} of {counted.several}."
        )
    return tuple(lines)


def _counts(evidence: Evidence) -> str:
    counted = evidence.counted
    parts = [
        (
            counted.typed,
            f"{counted.of_none} of {words.plural(counted.typed, 'mark')} typed were on no machine that day",
        ),
        (counted.known, f"{counted.wrong} of {counted.known} whose machine was known were typed otherwise"),
    ]
    return " and ".join(text for number, text in parts if number) or "none is counted yet"


def _thin(like: Like) -> str:
    total = sum(like.counted.values())
    if total >= FEW_LIKE:
        return ""
    return f"Thin: it rests on {words.plural(total, 'like finding')} only, so machines hardly differ by their rates."
