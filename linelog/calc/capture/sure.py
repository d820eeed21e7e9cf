"""Whether a capture can say how sure its offset is: by its own strokes, or by what the machine's long ones told.

A few strokes cannot show how much they remember of one another, so no interval would hold: of 10 strokes with a
memory of 0.8, intervals that rest on those alone held the truth in 83 % of captures, of strokes without a memory they
were four times as wide as needed.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from linelog.calc.capture.memory import PHIS, SHARES
from linelog.calc.capture.phases import LONG_ENOUGH
from linelog.calc.capture.results import PhaseResult, Sure, SureBy
from linelog.calc.require import Floats

__all__ = ["FEWEST_ALONE", "MachineMemory", "SureBy", "how_sure", "machine_memory"]

#: From so many strokes on a capture speaks for itself: intervals then held in 92 % at a memory of 0.9.
FEWEST_ALONE = 36


@dataclass(frozen=True, slots=True)
class MachineMemory:
    """By phase, the likelihood (P, C) of each memory (`memory.py`) by the machine's long captures."""

    by_phase: Mapping[str, Floats] = field(default_factory=dict)


def machine_memory(told: Iterable[Mapping[str, list[list[float]]]]) -> MachineMemory:
    """Add up what long captures told, each by phase; what was told on another grid is passed over."""
    added: dict[str, Floats] = {}
    for one in told:
        for phase, rows in one.items():
            said = np.array(rows, dtype=np.float64)
            if said.shape == (PHIS.size, SHARES.size):
                added[phase] = added.get(phase, np.zeros(said.shape)) + said
    return MachineMemory(added)


def how_sure(phases: Mapping[str, PhaseResult], machine: MachineMemory) -> Sure:
    """Say what the intervals of these phases rest on, and how many strokes would do where there is nothing."""
    fewest = min(each.strokes for each in phases.values())
    if set(phases) <= set(machine.by_phase):
        return Sure(SureBy.MACHINE, FEWEST_ALONE, LONG_ENOUGH)
    by = SureBy.CAPTURE if fewest >= FEWEST_ALONE else SureBy.NOTHING
    return Sure(by, FEWEST_ALONE, LONG_ENOUGH)
