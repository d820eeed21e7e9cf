"""Which stations and bushings to open for a common line, and how far the line then moves: the solving behind line.py.

What to open is a small integer programme (`scipy.optimize.milp`, HiGHS) over sets that cannot all stay closed. How
far to move for a choice is a linear programme; where it finds no room, its multipliers name one more such set
(Benders' decomposition, Numerische Mathematik 4, 1962), and the choice is made again. No choice is missed.

What is opened is an array (2 + n,) of 0 and 1: rear bushing, front bushing, stations. Moves are (rx, ry, fx, fy).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import scipy
from numpy.typing import NDArray

from linelog.calc.errors import CalcError
from linelog.calc.quiet import silenced
from linelog.calc.require import Floats

#: Sides of the polygon inside each circle, and the share of a limit that it gives away at most.
SIDES = 32
SHORTFALL = 1.0 - math.cos(math.pi / SIDES)
#: One row a side: the unit vector to the middle of the side.
TOWARD_SIDE = np.array([[math.sin(2 * math.pi * k / SIDES), math.cos(2 * math.pi * k / SIDES)] for k in range(SIDES)])
ROUNDING = 1e-7
_TOO_UNLIKE = "The offsets and limits differ too much in size to be worked out together."


@dataclass(frozen=True, slots=True)
class Limited:
    """What has a radial limit: q offsets or slopes."""

    station: NDArray[np.intp]  # (q,)
    value: Floats  # (q, 2)
    falls: Floats  # (q, 2, 4): afterwards it is value - falls @ moves
    limit: Floats  # (q,), infinite where a slope has none
    reach: Floats  # (q,): what opening its station adds, along x and along y

    def eased(self, opened: Floats) -> Floats:
        """Return (q,) the reach of what is opened, else 0."""
        return np.where(opened[self.station + 2] > 0.0, self.reach, 0.0)


@dataclass(frozen=True, slots=True)
class Task:
    """The whole task as arrays over bushings and stations."""

    names: tuple[str, ...]  # rear bushing, front bushing, stations; likewise z, hours and what can be opened
    z_mm: Floats
    hours: Floats
    can_open: Floats  # 0 or 1
    reach: Floats  # (4,) of the moves
    offsets: Limited
    slopes: Limited

    @property
    def limited(self) -> Limited:
        """Return the offsets, and the slopes that have a limit."""
        kept = np.isfinite(self.slopes.limit)
        one, two = self.offsets, self.slopes
        return Limited(
            np.concatenate([one.station, two.station[kept]]),
            np.concatenate([one.value, two.value[kept]]),
            np.concatenate([one.falls, two.falls[kept]]),
            np.concatenate([one.limit, two.limit[kept]]),
            np.concatenate([one.reach, two.reach[kept]]),
        )


def cheapest(cost: Floats, can_open: Floats, sets: Floats, found: Sequence[Floats]) -> Floats | None:
    """Return what to open: something of every set, but not all of one found before; None where there is no such."""
    rows = np.vstack([-sets, *found, np.zeros_like(cost)])
    most = np.concatenate([-np.ones(len(sets)), [opened.sum() - 1.0 for opened in found], [0.0]])
    with silenced():
        answer = scipy.optimize.milp(
            cost,
            integrality=np.ones(cost.size, dtype=np.int64),
            bounds=scipy.optimize.Bounds(0.0, can_open),
            constraints=scipy.optimize.LinearConstraint(rows, ub=most),
            options={"mip_rel_gap": 0.0},
        )
    return None if answer.x is None else np.round(answer.x)


def conflicts(offsets: Limited, things: int) -> Floats:
    """Return sets (k, 2 + n) of which something must be opened, as can be seen without any programme.

    A sum of offsets whose coefficients cancel the effect of the line stays as it is: of one station while both
    bushings stay, of two while one stays, of any three. Beyond the same sum of limits, not all can stay.
    """
    felt = offsets.falls[:, 0, ::2]
    sets = [np.zeros((0, things))]
    for size, left in ((1, [0, 1]), (2, [0]), (2, [1]), (3, [])):
        group = np.array(list(combinations(range(len(felt)), size)), dtype=np.intp).reshape(-1, size)
        cancel = np.ones(group.shape)
        if size == 2:
            cancel = felt[group[:, ::-1], 0 if left == [1] else 1] * [1.0, -1.0]
        elif size == 3:
            cancel = np.cross(felt[group, 0], felt[group, 1])
        fixed = np.einsum("mk,mkc->mc", cancel, offsets.value[group])
        most = (np.abs(cancel) * offsets.limit[group]).sum(1)
        apart = np.hypot(*fixed.T) > most * (1.0 + ROUNDING)
        opened = np.zeros((int(apart.sum()), things))
        np.put_along_axis(opened, offsets.station[group[apart]] + 2, 1.0, axis=1)
        opened[:, left] = 1.0
        sets.append(opened)
    return np.vstack(sets)


def room(task: Task, opened: Floats) -> tuple[float, Floats]:
    """Return the least worst share of a limit, and, for a share above 1, the set of which more must be opened.

    The set are the closed stations and bushings with a multiplier: they alone rule this choice out.
    """
    limited = task.limited
    rows, right, of = _sides(limited, opened)
    conflict = np.zeros_like(opened)
    if not of.size:
        return 0.0, conflict
    share = -limited.limit[of, None] * (1.0 - SHORTFALL)
    free = np.repeat(opened[:2], 2) * task.reach
    answer = scipy.optimize.linprog(
        [0.0] * 4 + [1.0],
        A_ub=np.hstack([rows, share]),
        b_ub=right,
        bounds=[*((-far, far) for far in free), (0.0, None)],
    )
    if answer.x is None:
        raise CalcError(_TOO_UNLIKE, field="stations")
    conflict[limited.station[of[answer.ineqlin.marginals < -1e-12]] + 2] = 1.0
    held = np.abs(answer.lower.marginals[:4]) + np.abs(answer.upper.marginals[:4])
    conflict[:2] = held.reshape(2, 2).max(1) > 1e-12
    return float(answer.x[4]), conflict * (opened == 0.0)


def moves_for(task: Task, opened: Floats, worst: float) -> Floats:
    """Return the bushing moves (4,) that keep to the worst share and, with that, the least mean share and moves."""
    limited = task.limited
    rows, right, of = _sides(limited, opened)
    q, wide = limited.limit.size, np.zeros((4, limited.limit.size))
    share = _shares(limited, of)
    sizes = [np.hstack([sign * np.eye(4), wide, -np.eye(4)]) for sign in (1.0, -1.0)]
    free = np.repeat(opened[:2], 2) * task.reach
    answer = scipy.optimize.linprog(
        np.concatenate([np.zeros(4), np.full(q, 1.0 / q), 1e-2 / np.maximum(task.reach, 1.0)]),
        A_ub=np.vstack([np.hstack([rows, share, np.zeros((of.size, 4))]), *sizes]),
        b_ub=np.concatenate([right, np.zeros(8)]),
        bounds=[*((-far, far) for far in free), *[(0.0, worst + ROUNDING)] * q, *[(0.0, None)] * 4],
    )
    if answer.x is None:
        raise CalcError(_TOO_UNLIKE, field="stations")
    return np.asarray(answer.x[:4])


def out_of_reach(task: Task) -> list[str]:
    """Name the stations that stay outside though everything is opened, with as little left over as can be."""
    offsets = task.offsets
    rows, right, of = _sides(offsets, task.can_open)
    answer = scipy.optimize.linprog(
        np.concatenate([np.zeros(4), offsets.limit]),
        A_ub=np.hstack([rows, _shares(offsets, of)]),
        b_ub=right,
        bounds=[*((-far, far) for far in task.reach), *[(1.0, None)] * offsets.limit.size],
    )
    if answer.x is None:
        raise CalcError(_TOO_UNLIKE, field="stations")
    outside = set(offsets.station[answer.x[4:] > 1.0 + ROUNDING].tolist())
    return [name for place, name in enumerate(task.names[2:]) if place in outside]


def _sides(limited: Limited, opened: Floats) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """Return the polygons' sides: rows (over the moves), right-hand sides, and which of q each belongs to.

    rows @ moves - share * limit * (1 - SHORTFALL) <= right-hand side keeps value q within that share of its limit.
    What can be set as far as needed has no sides.
    """
    eased = np.abs(TOWARD_SIDE).sum(1) * limited.eased(opened)[:, None]
    rows = -np.einsum("kc,qcv->qkv", TOWARD_SIDE, limited.falls)
    kept = np.isfinite(eased)
    return rows[kept], (eased - limited.value @ TOWARD_SIDE.T)[kept], np.nonzero(kept)[0]


def _shares(limited: Limited, of: NDArray[np.intp]) -> Floats:
    """Return the columns (sides, q) of one share for each value."""
    columns = np.zeros((of.size, limited.limit.size))
    columns[np.arange(of.size), of] = -limited.limit[of] * (1.0 - SHORTFALL)
    return columns
