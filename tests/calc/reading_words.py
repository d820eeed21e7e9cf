"""Worded directions and moves read back as a person at the machine reads them: from the words alone."""

import math
import re

import numpy as np

HOUR = re.compile(r"(\d+)(?::(30))? o'clock, seen from the (crank|domer)")


def toward(words):
    """Where a worded direction points in plain space, seen along the forward stroke: (right, up), of length one."""
    hour, half, end = HOUR.search(words).groups()
    turn = math.radians(30.0 * int(hour) + (15.0 if half else 0.0))
    right = math.sin(turn)
    return (-right if end == "domer" else right), math.cos(turn)  # who looks back has the right hand on the left


UM = {"mm": 1000.0, "in": 25_400.0, "µm": 1.0}
LENGTH = re.compile(r"(\d+(?:\.\d+)?) (mm|in|µm)\b")


def travel(words, adjuster):
    """How far a person moves this adjuster on reading the words of its move, um, positive as it pushes.

    The adjuster is the real part of the machine: a slide goes along its own guide, a screw drives by its own pitch.
    """
    told = words.split(": ", 1)[1]
    if told.startswith("leave it"):
        return 0.0
    if adjuster.kind.value == "slide":
        return _lengths(told)[0] * (1.0 if np.dot(adjuster.push[:2], toward(told)) > 0 else -1.0)
    if adjuster.kind.value == "screw":
        sense = 1.0 if re.search(r"(turns?|flats?) in\b", told) else -1.0
        by_dial = _lengths(told)
        return sense * (by_dial[0] if by_dial else _turned(told) * adjuster.pitch_mm * 1000.0)
    if "pack" in told and "counted" in told:
        return _made_thicker(told, adjuster)
    put_in = sum(_lengths(part)[0] for part in re.findall(r"put in [^:]*", told))
    taken_out = sum(_lengths(part)[0] for part in re.findall(r"take out [^:]*", told))
    return put_in - taken_out


def _made_thicker(told, adjuster):
    """A pack that was never counted: 'lower by 0.03 mm', 'make its pack 0.03 mm thicker'."""
    size = _lengths(told)[0]
    if told.startswith(("raise", "lower")):
        return size * (1.0 if told.startswith("raise") == (adjuster.push[1] > 0) else -1.0)
    return size * (1.0 if "thicker" in told else -1.0)


def carried(adjusters, travels):
    """Where a body goes that rests on two adjusters (or one): it follows each of them along its own guide."""
    guides = np.array([adjuster.push[:2] for adjuster in adjusters])
    return np.linalg.pinv(guides) @ np.array(travels)


def _lengths(words):
    return [float(number) * UM[unit] for number, unit in LENGTH.findall(words)]


def _turned(words):
    """Turns and flats of a hexagon, a sixth of a turn each, as told: '1 turn and 2 1/4 flats in'."""
    turns, words = 0.0, words.split(", going past")[0]
    for figures, part in re.findall(r"((?:\d+ )?(?:\d+/\d+ )?)(turn|flat)", words):
        value = sum(
            float(n.split("/")[0]) / float(n.split("/")[1]) if "/" in n else float(n) for n in figures.split()
        )
        turns += value if part == "turn" else value / 6.0
    return turns
