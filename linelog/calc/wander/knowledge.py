"""What a plant's log told of how its stations wander, and what that says of a place now and in strokes to come."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.wander.behaviour import behaviours
from linelog.calc.wander.follow import follow
from linelog.calc.wander.learn import ERRORS, Learned, learn
from linelog.calc.wander.log import Log, Track, log_of
from linelog.calc.wander.odds import Drawn, chance, draw
from linelog.calc.wander.said import Recalibrated, recalibrate, said_before, together

#: Million strokes at which a chance is kept; between them it runs straight.
GRID = (0.0, 0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 13.0, 16.0, 20.0, 25.0, 30.0, 40.0, 50.0, 65.0, 80.0, 100.0,
        130.0, 160.0, 200.0)  # fmt: skip
#: Places found again after a visit that a chance rests on at least. From `bench_risk`.
FEWEST = 20
#: So often places must have been found again for a chance of a place beyond `SURE_LITTLE` to be told as it is, and no
#: chance beyond `SURE_MUCH` is: those came true less often on some plants of known truth. From `bench_risk`.
MUCH, SURE_LITTLE, SURE_MUCH = 1000, 0.5, 0.9
_LIKELY = 0.01  # an error less likely than this is no longer reckoned with


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What was learned, by kinds; how chances are corrected, how much places go out together; on how much it rests.

    error   how many times its said error a reading is really off, in the mean
    places, again  places that were read again after a visit, and how often
    """

    kinds: tuple[str, ...]
    learned: Learned
    corrected: Recalibrated
    together: float
    places: int
    again: int

    @property
    def is_enough(self) -> bool:
        """Whether a chance can rest on it."""
        return self.again >= FEWEST

    @property
    def error(self) -> float:
        """How many times its said error a reading is really off."""
        return float(self.learned.likely @ self.learned.errors)

    def plain(self) -> dict[str, Any]:
        """Return it for a JSON column."""
        return {
            "kinds": list(self.kinds),
            "errors": self.learned.errors.tolist(),
            "likely": self.learned.likely.tolist(),
            "common": [[[float(f"{one:.4g}") for one in row] for row in rows] for rows in self.learned.common],
            "shift": self.corrected.shift,
            "slope": self.corrected.slope,
            "together": self.together,
            "places": self.places,
            "again": self.again,
        }

    @classmethod
    def of(cls, kept: dict[str, Any]) -> Knowledge:
        """Read what `plain` gave."""
        parts = (np.array(kept[name], dtype=np.float64) for name in ("errors", "likely", "common"))
        corrected = Recalibrated(kept["shift"], kept["slope"])
        return cls(tuple(kept["kinds"]), Learned(*parts), corrected, kept["together"], kept["places"], kept["again"])


def surest(again: int) -> float:
    """Return the chance of a place beyond which no figure is told, where places were found again so often."""
    return SURE_MUCH if again >= MUCH else SURE_LITTLE


@dataclass(frozen=True, slots=True)
class Held:
    """What was said of m places before a visit, and what it found.

    chance   of being read as out, corrected by nothing that came after; out: whether it was; machine: its number
    """

    chance: FloatArray
    out: BoolArray
    machine: IntArray


def study(tracks: Sequence[Track]) -> tuple[Knowledge, Held]:
    """Learn from the tracks of a plant; those of one visit count for where they stand alone."""
    kinds = tuple(sorted({one.kind for one in tracks}))
    log = log_of(tracks, kinds)
    followed = [follow(log, behaviours(), error) for error in ERRORS]
    learned = learn(log, followed)
    said = said_before(log, behaviours(), followed)
    when = log.when[said.place, said.visit]
    machine = log.machine[said.place]
    occasion = np.unique(np.column_stack([machine, when]), axis=0, return_inverse=True)[1].reshape(-1)
    corrected = recalibrate(said.chance, said.out)
    tied = together(corrected.of(said.chance), said.out, occasion)
    enough = np.flatnonzero(learned.likely >= _LIKELY)
    kept = Learned(
        learned.errors[enough], learned.likely[enough] / learned.likely[enough].sum(), learned.common[enough]
    )
    again = len(said.chance)
    known = Knowledge(kinds, kept, corrected, tied, len(np.unique(said.place)), again)
    return known, Held(_in_turn(said.chance, said.out, when), said.out, machine)


def _in_turn(said: FloatArray, out: BoolArray, when: FloatArray) -> FloatArray:
    """Correct what was said before each visit by the visits of the spans before alone."""
    corrected = np.zeros(len(said))
    order = np.argsort(when, kind="stable")
    for part in np.array_split(order, min(len(order), 8) or 1):
        if len(part):
            before = when < when[part].min()
            corrected[part] = recalibrate(said[before], out[before]).of(said[part])
    return corrected


@dataclass(frozen=True, slots=True)
class Ahead:
    """A place from its last visit on.

    chance   at each of `GRID`; mean_um where it stands, creep_um a million strokes; walk_um2: trace of the variance
             that comes with a million strokes, jumps among it; doubt_um2: trace of how well the creep is known
    """

    chance: tuple[float, ...]
    mean_um: tuple[float, float]
    creep_um: tuple[float, float]
    walk_um2: float
    doubt_um2: float


def stand(
    knowledge: Knowledge, tracks: Sequence[Track], runs_um: Sequence[tuple[float, float, float]]
) -> tuple[Log, Drawn]:
    """Draw where places stand after their last visits, at least one place, and what they do.

    runs_um  by how much each stands otherwise when it runs (across, up), and the standard uncertainty of that
    """
    log, kinds = log_of(tracks, knowledge.kinds), behaviours()
    followed = [follow(log, kinds, error) for error in knowledge.learned.errors]
    likely = np.stack([one.likely[:, -1] for one in followed])
    states = [one.states[-1] for one in followed]
    drawn = draw(knowledge.learned, log.kind, kinds, followed[0].moves[-1], states, likely)
    runs = np.array(runs_um) / log.limit_um[:, None]
    mean, variance = drawn.mean + runs[:, None, :2], drawn.variance + runs[:, 2:] ** 2
    return log, Drawn(mean, variance, drawn.kinds, drawn.error, drawn.last)


def ahead(
    knowledge: Knowledge, tracks: Sequence[Track], jolts: Sequence[int], runs_um: Sequence[tuple[float, float, float]]
) -> list[Ahead]:
    """Say what is ahead of places, each after so many jolts since its last visit; `runs_um` as `stand` takes it."""
    return along(knowledge, *stand(knowledge, tracks, runs_um), jolts) if tracks else []


def along(knowledge: Knowledge, log: Log, drawn: Drawn, jolts: Sequence[int]) -> list[Ahead]:
    """Say what is ahead of places that were drawn (`stand`)."""
    many = np.array(jolts, dtype=np.float64)
    said = [knowledge.corrected.of(chance(drawn, np.full(len(log), s), many)) for s in GRID]
    return [_ahead(log, drawn, place, row) for place, row in enumerate(np.array(said).T)]


def _ahead(log: Log, drawn: Drawn, place: int, said: FloatArray) -> Ahead:
    limit = float(log.limit_um[place])
    mean, creep = drawn.mean[place].mean(axis=0) * limit, drawn.kinds.creep[place]
    variance = drawn.kinds.walk[place] + drawn.kinds.rate[place] * drawn.kinds.jump[place]
    middle = creep.mean(axis=0) * limit
    return Ahead(
        tuple(round(float(one), 4) for one in said),
        (float(mean[0]), float(mean[1])),
        (float(middle[0]), float(middle[1])),
        float(2.0 * variance.mean()) * limit**2,
        float(creep.var(axis=0).sum()) * limit**2,
    )
