"""Worded directions and moves read back as a person at the machine reads them: from the words alone."""

import math
import re

HOUR = re.compile(r"(\d+)(?::(30))? o'clock, seen from the (crank|domer)")


def toward(words):
    """Where a worded direction points in plain space, seen along the forward stroke: (right, up), of length one."""
    hour, half, end = HOUR.search(words).groups()
    turn = math.radians(30.0 * int(hour) + (15.0 if half else 0.0))
    right = math.sin(turn)
    return (-right if end == "domer" else right), math.cos(turn)  # who looks back has the right hand on the left
