"""A second, unrelated solver for the beam tests: Hermite finite elements, dense, slow and plain.

The textbook's cubic beam element with consistent loads (Cook et al., Concepts and Applications of Finite Element
Analysis, ch. 2). With a node at every step, load edge and support its nodal values are exact.
"""

from itertools import pairwise

import numpy as np


def solve(edges, rigidity, weight, loads, fixed):
    """Nodes, deflections, slopes and the forces at the fixed degrees of freedom.

    edges (n + 1,), rigidity and weight (n,); loads: (from, to, force); fixed: {(s, 0 height | 1 slope): value}.
    """
    spots = [s for s, _ in fixed] + [end for start, stop, _ in loads for end in (start, stop)]
    nodes = np.unique(np.concatenate([edges, spots]))
    stiffness, force = np.zeros((2 * nodes.size,) * 2), np.zeros(2 * nodes.size)
    for i, (a, b) in enumerate(pairwise(nodes)):
        piece = np.searchsorted(edges, (a + b) / 2) - 1
        length = b - a
        bend = rigidity[piece] / length**3
        stiffness[2 * i : 2 * i + 4, 2 * i : 2 * i + 4] += bend * np.array(
            [
                [12, 6 * length, -12, 6 * length],
                [6 * length, 4 * length**2, -6 * length, 2 * length**2],
                [-12, -6 * length, 12, -6 * length],
                [6 * length, 2 * length**2, -6 * length, 4 * length**2],
            ]
        )
        spread = sum(f / (stop - start) for start, stop, f in loads if start <= a and b <= stop and stop > start)
        total = (weight[piece] + spread) * length
        force[2 * i : 2 * i + 4] += total * np.array([1 / 2, length / 12, 1 / 2, -length / 12])
    for start, stop, load in loads:
        if start == stop:
            force[2 * np.searchsorted(nodes, start)] += load
    held = [2 * int(np.searchsorted(nodes, s)) + kind for s, kind in fixed]
    free = np.setdiff1d(np.arange(2 * nodes.size), held)
    moved = np.zeros(2 * nodes.size)
    moved[held] = list(fixed.values())
    rest = force[free] - stiffness[np.ix_(free, held)] @ moved[held]
    moved[free] = np.linalg.solve(stiffness[np.ix_(free, free)], rest)
    return nodes, moved[::2], moved[1::2], (stiffness @ moved - force)[held]
