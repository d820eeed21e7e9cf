"""The move that the program offers for a station, and why it offers none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import Enum

from linelog.alignment import clock
from linelog.alignment.after_move import AfterMove, runs_after, same_move
from linelog.alignment.computing import StationOutcome
from linelog.alignment.models import MoveMade
from linelog.alignment.not_proven import not_proven_words, tilt_left_words
from linelog.alignment.results.status import StationStatus
from linelog.alignment.results.unswept import LINE_AS_LEFT, Unswept
from linelog.calc import moves, shopwords
from linelog.calc.errors import CalcError
from linelog.calc.face import slope_from_tilt
from linelog.calc.readings import View
from linelog.calc.station_state import Next, State
from linelog.calc.units import Unit
from linelog.calc.verdict import Verdict
from linelog.plant.adjusting import adjuster_of, reference_z_mm
from linelog.plant.models import Adjuster, Station
from linelog.web.units import slope_unit

BUSHING = "No move here: what a bushing needs is found on the common line, from all the stations together."


SEATS_ALIKE = (
    "The running value speaks of the middle of the station: both seats are taken to be off alike. Sweep both seats "
    "before it is tilted."
)
MAY_RUN_IN = (
    "By what is expected it may run inside its limit as it stands, which is not proven: measure it running before "
    "anything is moved."
)
FACE_FIRST = "No move yet: sweep the face first, it was tilted."
RUNS_IN = "By what is expected it runs inside its limit as it stands: measure it running before anything is moved."


@dataclass(frozen=True, slots=True)
class Line:
    """One adjuster's part of the move, in shop words; travel in um, positive as the adjuster pushes.

    put_in, taken_out  shims in um where the pack was counted, or nothing is taken out; turns of a screw, in positive
    """

    adjuster: Adjuster
    words: str
    travel_um: float
    put_in: tuple[float, ...] = ()
    taken_out: tuple[float, ...] = ()
    turns: float | None = None


class Target(Enum):
    """Which value a move is for: the words before it, and the sentence that says so."""

    RUNNING = (
        "For the running value",
        "This is for the value expected when running, as the manager has set this machine. What is stored stays the "
        "value as measured.",
    )
    MEASURED = ("For the value as measured", "This is for the value as measured.")
    NOT_KNOWN = (
        "For the value as measured",
        "Moves on this machine are set for the running value, but nothing is known of it here: this is for the value "
        "as measured.",
    )

    RAN = (
        "For the running value",
        "This is for the value as it was measured running; no sweep at rest is needed for it. Lock the machine out "
        "before anything is touched.",
    )
    AGAINST_RUNNING = (
        "For the value as measured",
        "This is for the value as measured. Moves for the running value are not switched on for this machine: the "
        "manager decides that.",
    )
    STATIC_TARGET = (
        "To the static target",
        "This is for the value expected when running. Moves for the running value are not switched on for this "
        "machine: the manager decides that.",
    )

    @property
    def prefix(self) -> str:
        """What stands before the move where it is kept."""
        return self.value[0]

    @property
    def sentence(self) -> str:
        """The whole of it."""
        return self.value[1]


@dataclass(frozen=True, slots=True)
class Advice:
    """What to move, or in `withheld` that nothing is offered yet. `headline` is one line for the top of the page.

    `target` says which value it is for, where that is a question; `second` is the move to the static target where
    moves on the machine are not for the running value. `solution` is the move in figures, and `runs` (`runs_words`)
    how the station is expected to run after it, where that was asked.
    """

    headline: str
    lines: tuple[Line, ...] = ()
    residual: str = ""
    notes: tuple[str, ...] = ()
    withheld: bool = False
    target: Target | None = None
    second: Advice | None = None
    solution: moves.MoveSolution | None = None
    runs: AfterMove | None = None
    runs_words: str = ""

    @property
    def shift_um(self) -> tuple[float, float]:
        """How the move carries the station, right and up seen from the crank."""
        if self.solution is None:
            return (0.0, 0.0)
        before, after = self.solution.before, self.solution.after
        return after.x_um - before.x_um, after.y_um - before.y_um

    @property
    def offered(self) -> tuple[Advice, ...]:
        """The moves that it offers, the first one first; none where nothing is to be moved."""
        return tuple(one for one in (self, self.second) if one is not None and one.lines)

    @property
    def frozen(self) -> str:
        """What is kept of it when the visit is signed: every move that was offered."""
        return ". ".join(one.own_frozen for one in self.offered) or self.headline

    @property
    def own_frozen(self) -> str:
        """The move itself, without the second, as it is kept."""
        words = "; ".join(line.words for line in self.lines)
        return f"{self.target.prefix}: {words}" if self.target else words


BELIEVED_MM_PER_M = 20.0  # far beyond any limit: a radius typed in another unit; common practice, no source


def misalignment_of(found: StationOutcome) -> moves.Misalignment | None:
    """Return where the station lies, at its reference (the middle of two seats) and at each seat, or None before."""
    values = [outcome.value for outcome in found.seats.values()]
    if not values or any(value is None for value in values):
        return None
    known = [value for value in values if value is not None]
    slope = slope_from_tilt(found.tilt.x, found.tilt.y) if found.tilt else (None, None)
    seats = tuple(
        moves.SeatOffset(seat, found.station.seat_z_mm(seat), value.x, value.y)
        for seat, value in zip(found.seats, known, strict=True)
    )
    return moves.Misalignment(
        x_um=sum(value.x for value in known) / len(known),
        y_um=sum(value.y for value in known) / len(known),
        z_mm=reference_z_mm(found.station),
        slope_x_mm_per_m=slope[0],
        slope_y_mm_per_m=slope[1],
        seats=seats,
    )


def nothing_swept(found: StationOutcome) -> bool:
    """Whether not one reading was typed at any seat."""
    return not any(outcome.readings for outcome in found.seats.values())


def _why_not(found: StationOutcome) -> str:
    """Return why nothing is offered yet, or ''."""
    if found.station.is_bushing:
        return BUSHING
    if nothing_swept(found):
        return "Type the readings round the clock."
    if any(outcome.problem for outcome in found.seats.values()):
        return "No move yet: the readings cannot be used as they stand."
    unread = [seat for seat, outcome in found.seats.items() if outcome.value is None]
    if unread:
        where = f"the {unread[0]} seat" if unread[0] else "the rest of the readings"
        return f"No move yet: read {where} first."
    missing = next((outcome.missing_deg for outcome in found.seats.values() if not outcome.trusted), ())
    if missing:
        return f"No move yet: {clock.words(missing)} still to read."
    if not found.complete:
        return "No move yet: read it again, or confirm that the readings are right."
    if found.face and found.face.readings and not found.face.trusted:
        return "No move yet: finish the face sweep, or confirm it."
    if found.tilt is not None and found.tilt.size > BELIEVED_MM_PER_M:
        return "No move: a tilt as large as this was hardly read. Check the radius swept and the face's readings."
    return ""


def advise(found: StationOutcome, adjusters: Sequence[Adjuster], unit: Unit, seen_from: View) -> Advice:
    """Say what to do next at a station: read on, read again, leave it, or move it so."""
    why_not = _why_not(found)
    if why_not:
        return Advice(why_not, withheld=True)
    judged, at = found.judged, misalignment_of(found)
    if judged is None or at is None:
        return Advice("No move: the station has no limit to be judged by.", withheld=True)
    if judged.verdict is Verdict.IN:
        return Advice("Leave it: proven inside its limit.", withheld=True)
    if judged.verdict is Verdict.NOT_PROVEN:
        return Advice(not_proven_words(found, unit), withheld=True)
    return _move_of(found, adjusters, unit, seen_from)


def advise_for(
    found: StationOutcome,
    running: StationOutcome | None,
    adjusters: Sequence[Adjuster],
    unit: Unit,
    *,
    for_running: bool,
    stands: StationStatus,
    seen_from: View,
) -> Advice:
    """Say what to do at a station that stands so, for the value that the machine's moves are for.

    running    the station as it runs, measured or expected; None where that is not known
    seen_from  the end that the person stands at, in whose view every direction is told
    While moves for the running value are switched off, the move that would make it run true comes second, marked.
    """
    if _why_not(found):
        if stands.ran is not None and nothing_swept(found) and not found.station.is_bushing:
            return advise_ran(found.station, stands, adjusters, unit, seen_from)
        return advise(found, adjusters, unit, seen_from)
    if stands.state is State.NOT_ALL:
        is_face = Unswept.FACE in stands.unswept
        return Advice(FACE_FIRST if is_face else stands.unswept[0].sentence, withheld=True)
    if running is None:
        own = advise(found, adjusters, unit, seen_from)
        return replace(own, target=Target.NOT_KNOWN) if for_running else own
    return _advise_known(found, running, adjusters, unit, for_running=for_running, stands=stands, seen_from=seen_from)


def _advise_known(
    found: StationOutcome,
    running: StationOutcome,
    adjusters: Sequence[Adjuster],
    unit: Unit,
    *,
    for_running: bool,
    stands: StationStatus,
    seen_from: View,
) -> Advice:
    """Say what to do at a station of which it is known how it runs, measured or expected."""
    proof = _proof(found, unit)
    if stands.then is Next.MEASURE_RUNNING:
        return Advice("No move yet: measure it running.", withheld=True, notes=proof)
    if stands.then is Next.LEAVE and stands.measured is not None and stands.measured.judged.verdict is not Verdict.IN:
        return Advice("Leave it: it runs inside its limit.", withheld=True)
    if stands.then is not Next.MOVE:
        return replace(advise(found, adjusters, unit, seen_from), target=Target.MEASURED)
    if for_running:
        move = _move_of(running, adjusters, unit, seen_from)
        return replace(move, headline=f"{Target.RUNNING.prefix}: {move.headline}", target=Target.RUNNING)
    second = None
    if stands.running is not None and stands.running.judged.severity > 1.0:
        second = replace(_move_of(running, adjusters, unit, seen_from), target=Target.STATIC_TARGET)
        second = _judged_running(second, running, unit)
    if stands.measured is None or stands.measured.judged.verdict is not Verdict.OUT:
        words = "Not right as it stands: the move to its static target is told below."
        return Advice(words, withheld=True, notes=proof, second=second)
    move = replace(_move_of(found, adjusters, unit, seen_from), target=Target.MEASURED)
    move = _judged_running(move, running, unit)
    return _beside_running(move, stands, proof) if second is None else _one_or_both(move, second)


def _judged_running(move: Advice, running: StationOutcome, unit: Unit) -> Advice:
    """Say of a move how the station is expected to run after it."""
    runs = runs_after(running, move.solution) if move.solution is not None and move.lines else None
    return replace(move, runs=runs, runs_words=runs.words(unit)) if runs is not None else move


def _one_or_both(move: Advice, second: Advice) -> Advice:
    """Offer the move to the static target as well, unless the first is the same or makes it run inside too."""
    if move.solution is not None and second.solution is not None and same_move(move.solution, second.solution):
        return move
    if move.runs is not None and move.runs.verdict is Verdict.IN:
        return move
    return replace(move, second=second)


def _beside_running(move: Advice, stands: StationStatus, proof: tuple[str, ...]) -> Advice:
    """Say, of a move for the value as measured, that the machine runs inside its limit without it.

    What runs true is not moved off its static target by a headline: then that move comes second, marked.
    """
    if stands.running is not None and stands.running.judged.verdict is Verdict.IN:
        return Advice(RUNS_IN, withheld=True, notes=proof, second=replace(move, target=Target.AGAINST_RUNNING))
    return replace(move, notes=(MAY_RUN_IN, *move.notes))


def advise_ran(
    station: Station, stands: StationStatus, adjusters: Sequence[Adjuster], unit: Unit, seen_from: View
) -> Advice:
    """Say what to do at a station of which a running value alone is known, measured since its last move.

    That value speaks of the middle of the station: where two seats are judged both are taken to be off alike, so that
    the station is moved as a whole and not tilted for what nobody measured.
    """
    ran = stands.ran
    if ran is None:
        raise ValueError("nothing was measured running here")
    if stands.then is Next.LEAVE:
        return Advice("Leave it: it runs inside its limit.", withheld=True, target=Target.RAN)
    if stands.then is not Next.MOVE:
        return Advice("No move yet: measure more strokes.", withheld=True, target=Target.RAN)
    seats = tuple(
        moves.SeatOffset(seat, station.seat_z_mm(seat), ran.x_um, ran.y_um) for seat in station.seats if seat
    )
    at = moves.Misalignment(ran.x_um, ran.y_um, reference_z_mm(station), seats=seats)
    move = _move(station, at, adjusters, unit, seen_from)
    return replace(move, target=Target.RAN, notes=(SEATS_ALIKE, *move.notes) if seats and move.lines else move.notes)


def _proof(found: StationOutcome, unit: Unit) -> tuple[str, ...]:
    """Say what would prove the value as measured, where it is not proven."""
    unproven = found.judged is not None and found.judged.verdict is Verdict.NOT_PROVEN
    return (not_proven_words(found, unit),) if unproven else ()


def _move_of(found: StationOutcome, adjusters: Sequence[Adjuster], unit: Unit, seen_from: View) -> Advice:
    """Say the move for a swept station that is out, or for what is made of its sweep."""
    judged = found.tilt_judged
    mends_tilt = judged is None or judged.verdict is Verdict.OUT
    move = _move(found.station, misalignment_of(found), adjusters, unit, seen_from, mends_tilt=mends_tilt)
    if judged is None or judged.verdict is not Verdict.NOT_PROVEN or not move.lines:
        return move
    return replace(move, notes=(tilt_left_words(found, unit), *move.notes))


def _move(
    station: Station,
    at: moves.Misalignment | None,
    adjusters: Sequence[Adjuster],
    unit: Unit,
    seen_from: View,
    *,
    mends_tilt: bool = True,
) -> Advice:
    """Say the move for a station that is out; `mends_tilt` as `solve_moves` takes it."""
    if at is None:
        return Advice("No move yet: the readings cannot be used as they stand.", withheld=True)
    if not adjusters:
        return Advice("Out, and no adjuster is set up for this station: the plant set-up lists them.", withheld=True)
    try:
        return _solved(station, at, adjusters, unit, seen_from, mends_tilt=mends_tilt)
    except CalcError as error:
        return Advice(f"Out, but no move can be worked out: {error.message}", withheld=True)


def _line(row: Adjuster, move: moves.AdjusterMove, words: str) -> Line:
    pack = move.pack
    known = pack is not None and (move.adjuster.pieces_um is not None or not pack.take_out)
    sense = 1.0 if move.adjuster.clockwise_moves_positive else -1.0
    return Line(
        row,
        words,
        move.travel_um,
        put_in=pack.put_in if pack and known else (),
        taken_out=pack.take_out if pack and known else (),
        turns=None if move.turns is None else sense * move.turns,
    )


def until_swept(station: Station, last: MoveMade | None, read_at: datetime | None) -> Advice | None:
    """Say that nothing is offered once moves are logged, until the station was swept as left after the last of them.

    last     the last move in this visit of the station or of a bushing, which moves the line
    read_at  the last as-left reading, None at the stage as found
    """
    if last is None or (read_at is not None and read_at > last.at):
        return None
    if last.station_id != station.pk:
        return Advice(LINE_AS_LEFT[last.station.kind].sentence, withheld=True)
    return Advice("Moves are logged: sweep it as left.", withheld=True)


def _solved(
    station: Station,
    at: moves.Misalignment,
    adjusters: Sequence[Adjuster],
    unit: Unit,
    seen_from: View,
    *,
    mends_tilt: bool,
) -> Advice:
    rows = [adjuster_of(row) for row in adjusters]
    limits = station.limit_um, station.tilt_limit_mm_per_m
    solution = moves.solve_moves(at, rows, *limits, mends_tilt=mends_tilt)
    slopes = slope_unit(station.machine.line.plant, unit)
    lines = tuple(
        _line(row, move, shopwords.move_words(move, unit, seen_from=seen_from))
        for row, move in zip(adjusters, solution.moves, strict=True)
        if move.travel_um
    )
    notes = (
        *shopwords.tilt_words(solution, unit, slopes, seen_from=seen_from),
        *shopwords.out_of_reach_words(solution, unit, slopes, seen_from=seen_from),
        *shopwords.side_effect_words(solution, unit, slopes),
    )
    # Tilt first: turning the station takes the bore with it until it is set across.
    lines = tuple(sorted(lines, key=lambda line: not line.adjuster.along_z))
    headline = "; ".join(line.words for line in lines) or "Out, but the best that can be done is to move nothing."
    return Advice(headline, lines, shopwords.result_words(solution, unit, slopes), notes, solution=solution)
