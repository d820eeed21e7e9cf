"""Static or running: both stored comparisons as rows of one table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from linelog.calc.held import FEWEST_MACHINES, FEWEST_OUT
from linelog.plant.models import Plant
from linelog.trends import words
from linelog.trends.evidence.held_fit import KIND
from linelog.trends.models import Fit

PER_STROKES = 100.0  # million


@dataclass(frozen=True, slots=True)
class MethodRow:
    """What static and running came to, and running over static with its interval; None where it is not told."""

    name: str
    static: str
    running: str
    ratio: float | None
    low: float
    high: float
    word: str
    css: str


def method_rows(plant: Plant, fit: Fit | None, span: str) -> list[MethodRow]:
    """Return which way held longer, and after which fewer were counted than expected."""
    held = Fit.objects.filter(plant=plant, kind=KIND).first()
    rows = [_held(held.result, held.rests_on)] if held else []
    compared = fit.result.get("spans", {}).get(span, {}).get("methods", []) if fit else []
    return rows + [_after(one) for one in compared]


def _held(result: dict[str, Any], rests_on: dict[str, Any]) -> MethodRow:
    name = "Found out again, times per 100 million strokes"
    if "missing" in result:
        why = {
            "machines": f"not told: fewer than {FEWEST_MACHINES} machines have both ways",
            "out": f"not told: fewer than {FEWEST_OUT} times found out by one of them",
        }
        return MethodRow(name, "–", "–", None, 0.0, 0.0, why[result["missing"]], "")
    static, running = (
        f"{PER_STROKES * out / strokes:.1f} ({words.plural(out, 'time')})"
        for out, strokes in zip(result["out"], result["strokes"], strict=True)
    )
    word, css = _said(result, "held longer running", "held longer static")
    return MethodRow(name, static, running, result["ratio"], result["low"], result["high"], word, css)


def _after(one: dict[str, Any]) -> MethodRow:
    name = "Counted after the visit over expected"
    static, running = (
        f"{one[f'{way}_ratio']:.2f} ({words.plural(one[f'{way}_visits'], 'visit')})" for way in ("static", "running")
    )
    word, css = _said(one, "lower after running", "lower after static")
    return MethodRow(name, static, running, one["ratio"], one["low"], one["high"], word, css)


def _said(one: dict[str, Any], less: str, more: str) -> tuple[str, str]:
    if not one["shown"]:
        return "no difference shown", ""
    return (less, "below") if one["ratio"] < 1.0 else (more, "above")
