"""What the trends keep of their own: summaries of what is logged, worked out again whenever that changes."""

from linelog.trends.models.control import Signal
from linelog.trends.models.due import MachineDrift
from linelog.trends.models.repeats import RepeatProblem, TakeUp
from linelog.trends.models.summaries import Fit, Piece, Stale, Stretch

__all__ = [
    "Fit",
    "MachineDrift",
    "Piece",
    "RepeatProblem",
    "Signal",
    "Stale",
    "Stretch",
    "TakeUp",
]
