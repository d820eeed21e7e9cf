"""A running capture from file to result, in one pass and in bounded memory.

Order of the work: samples are checked, cut into strokes and bins, and averaged there as they come; then the ram's
place in each cell by least squares, odd strokes set aside, the phases summed up, and the warnings drawn from that.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import numpy as np

from linelog.calc.capture import cautions as warn
from linelog.calc.capture.cells import Cells, Flags, Rails
from linelog.calc.capture.clipped import without_still
from linelog.calc.capture.collect import Collector, make_clock
from linelog.calc.capture.limits import CaptureLimits, check_limits
from linelog.calc.capture.more import more_strokes
from linelog.calc.capture.motion import Bins, Crank, Phase, check_crank
from linelog.calc.capture.odd import Odd, odd_strokes
from linelog.calc.capture.paths import PhasePaths, Seen, phase_paths, stroke_paths, what_was_seen
from linelog.calc.capture.phases import Known, kick_at_dome, phase_result, split_between
from linelog.calc.capture.reader import Cancelled, Progress, file_kind, read_capture
from linelog.calc.capture.results import ALGORITHM_VERSION, CaptureResult, FileFacts, ProbeFacts, StrokeFacts
from linelog.calc.capture.ring import Ring, check_ring, disagreement, movements, zero_covariance
from linelog.calc.capture.rounding import jump_um, rounding_of
from linelog.calc.capture.rows import Intake, Rows, Signals
from linelog.calc.capture.stats import LEAST_STROKES
from linelog.calc.capture.sure import MachineMemory, SureBy, how_sure
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats

_READING_SHARE = 0.95
_TURNS_AVERAGED = 10
_STILL_UM = 1e-3
_MOST_ODD_LISTED = 100


@dataclass(frozen=True, slots=True)
class CaptureSetup:
    """Everything that must be known beside the file: the ring, the columns, the crank, the limits of the warnings.

    `memory` is what the machine's long captures told of the memory of its strokes, where there are some.
    """

    ring: Ring
    signals: Signals
    crank: Crank
    limits: CaptureLimits = field(default_factory=CaptureLimits)
    memory: MachineMemory = field(default_factory=MachineMemory)


def check_setup(setup: CaptureSetup) -> None:
    """Raise `CalcError`, with the field, for the first thing in a set-up that cannot be used."""
    check_ring(setup.ring)
    check_crank(setup.crank)
    check_limits(setup.limits)
    names = [*setup.signals.columns, *setup.ring.columns]
    if len(set(names)) < len(names):
        raise CalcError(
            "One column of the file cannot be two things at once: time, signals and probes.", field="time"
        )


def analyse_capture(
    path: Path,
    setup: CaptureSetup,
    *,
    name: str | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> CaptureResult:
    """Read and work out the capture at `path`; `name` is the name it was uploaded under.

    `progress` is told a share from 0 to 1; when `cancelled` says yes, `reader.Stopped` is raised. Raises `CalcError`
    with one sentence, and the line or time in the file where it can be, for a file or set-up that gives no result.
    """
    check_setup(setup)
    intake = Intake(setup.ring.columns)
    tell = None if progress is None else lambda done: progress(_READING_SHARE * done)
    rows = read_capture(
        path, setup.ring.columns, setup.signals, intake, name=name, progress=tell, cancelled=cancelled
    )
    result = _analyse(rows, setup, intake, file_kind(path, name))
    if progress is not None:
        progress(1.0)
    return result


def analyse_path(path: str, setup: CaptureSetup, name: str, tell: Progress) -> CaptureResult:
    """Do as `analyse_capture`, for a process that is told a path as text; `tell` hears the share done."""
    return analyse_capture(Path(path), setup, name=name, progress=tell)


def analyse_rows(rows: Iterable[Rows], setup: CaptureSetup) -> CaptureResult:
    """Work out samples that are in memory already; as `analyse_capture` otherwise."""
    check_setup(setup)
    intake = Intake(setup.ring.columns)
    result = _analyse((intake.check(each) for each in rows), setup, intake, "memory")
    intake.finish()
    return result


def _analyse(rows: Iterable[Rows], setup: CaptureSetup, intake: Intake, kind: str) -> CaptureResult:
    collector = Collector(setup.crank, make_clock(setup.ring, setup.signals), Rails.of(setup.ring))
    for each in rows:
        collector.add(each)
    cells, bins = collector.result()
    cells = without_still(setup.ring, cells, collector.rails)
    seen = what_was_seen(cells)
    _check_movement(setup, cells, seen)
    at_speed = _at_speed(cells, setup.limits)
    paths = stroke_paths(setup.ring, cells, seen)
    jump = jump_um(setup.ring, collector.rails)
    odd, listed = odd_strokes(_take_phases(bins, paths, at_speed), cells.start_s, jump)
    used = at_speed & ~odd
    phases = {each.phase: each for each in _take_phases(bins, paths, used)}
    _check_enough(len(cells), used, phases, setup)
    strokes = _stroke_facts(collector.clock.found_by.value, cells, at_speed, used, listed)
    rounding = rounding_of(setup.ring, cells, used, collector.rails)
    known = Known(zero_covariance(setup.ring), rounding, setup.memory.by_phase)
    return _result(setup, known, _file_facts(intake, kind), strokes, cells, bins, seen, used, phases)


def _result(
    setup: CaptureSetup,
    known: Known,
    file: FileFacts,
    strokes: StrokeFacts,
    cells: Cells,
    bins: Bins,
    seen: Seen,
    used: Flags,
    phases: dict[Phase, PhasePaths],
) -> CaptureResult:
    warmth = None if np.isnan(cells.temperature).all() else cells.temperature
    results = {phase: phase_result(each, bins, cells.start_s, warmth, known) for phase, each in phases.items()}
    forward, dome, back = (phases.get(phase) for phase in Phase)
    split = split_between(forward, back, bins, cells.start_s, known) if forward and back else None
    kick = kick_at_dome(forward, dome, bins, cells.start_s, known) if forward and dome else None
    named = {phase.value: each for phase, each in results.items()}
    more = more_strokes(named, known.zero_cov, setup.limits.wanted_half_width_um)
    sure = how_sure(named, setup.memory)
    probes = _probe_facts(setup.ring, seen)
    apart = _disagreement(setup.ring, cells, seen, used)
    minutes = float(np.ptp(cells.start_s[used])) / 60.0
    unseen = tuple(phase.value for phase in Phase if phase not in phases)
    told = chain(
        warn.movement_cautions(named, split, kick, None if sure.by is SureBy.NOTHING else minutes, setup.limits),
        warn.stroke_cautions(strokes, more, sure, setup.limits),
        warn.probe_cautions(probes, apart, setup.limits),
        warn.file_cautions(file, unseen),
    )
    return CaptureResult(
        version=ALGORITHM_VERSION,
        file=file,
        strokes=strokes,
        probes=probes,
        disagreement_um=apart,
        forward=results.get(Phase.FORWARD),
        dome=results.get(Phase.DOME),
        back=results.get(Phase.RETURN),
        split=split,
        kick=kick,
        more_strokes=more,
        sure=sure,
        cautions=tuple(told),
    )


def _take_phases(bins: Bins, paths: Floats, strokes: Flags) -> list[PhasePaths]:
    taken = (phase_paths(phase, bins, paths, strokes) for phase in Phase)
    return [each for each in taken if each is not None]


def _check_movement(setup: CaptureSetup, cells: Cells, seen: Seen) -> None:
    """Raise where the probes move by far too little or too much to be in um: volts, or a scale that is wrong."""
    every = -(-len(cells) // 200)
    moved = movements(setup.ring, np.swapaxes(cells.mean[::every], 1, 2))
    moved = np.where(np.swapaxes(seen.usable[::every], 1, 2), moved, np.nan).reshape(-1, len(setup.ring.probes))
    moved = moved[:, ~np.isnan(moved).all(axis=0)]
    if not moved.size:
        return
    span = float(np.diff(np.nanpercentile(moved, [1.0, 99.0], axis=0), axis=0).max())
    if span < _STILL_UM:
        raise CalcError("The probes stand still in the whole capture: check their supply and cables.", field="probes")
    if span < setup.limits.least_movement_um:
        raise CalcError(
            f"The probes move by only {span:.3g} µm in the whole capture: the file looks to be in volts; give "
            "the probes their scale in µm per volt.",
            field="scale_um_per_unit",
        )
    if span > setup.limits.most_movement_um:
        raise CalcError(
            f"The probes move by {span:,.0f} µm: that is no ram in its bushings; check the scale in µm per unit of "
            "the file.",
            field="scale_um_per_unit",
        )


def _at_speed(cells: Cells, limits: CaptureLimits) -> Flags:
    usual = float(np.median(cells.period_s))
    return np.asarray(np.abs(cells.period_s / usual - 1.0) <= limits.off_speed_percent / 100.0)


def _check_enough(found: int, used: Flags, phases: dict[Phase, PhasePaths], setup: CaptureSetup) -> None:
    if used.sum() < LEAST_STROKES:
        raise CalcError(
            f"Only {found} whole {'stroke was' if found == 1 else 'strokes were'} found, {used.sum()} of use: "
            f"{LEAST_STROKES} are the least for a mean, {setup.limits.fewest_strokes:.0f} are wanted.",
            field="file",
        )
    for phase in [phase for phase, each in phases.items() if each.strokes.size < LEAST_STROKES]:
        del phases[phase]
    if not phases:
        raise CalcError(
            "The probes gave both axes in no phase of the stroke: clipped, dropped out or empty.", field="probes"
        )


def _stroke_facts(found_by: str, cells: Cells, at_speed: Flags, used: Flags, odd: list[Odd]) -> StrokeFacts:
    period = cells.period_s[at_speed]
    usual = float(np.median(period))
    scatter = 1.4826 * float(np.median(np.abs(period - usual)))  # of a normal law; NIST/SEMATECH e-Handbook 1.3.5.6
    size = min(_TURNS_AVERAGED, period.size)
    slow = np.convolve(period, np.full(size, 1.0 / size), "valid")
    return StrokeFacts(
        found_by=found_by,
        found=len(cells),
        off_speed=int((~at_speed).sum()),
        odd=int((at_speed & ~used).sum()),
        used=int(used.sum()),
        speed_per_min=60.0 / usual,
        speed_sd_percent=100.0 * scatter / usual,
        speed_range_percent=100.0 * float(np.ptp(slow)) / usual,
        odd_strokes=tuple(odd[:_MOST_ODD_LISTED]),
    )


def _probe_facts(ring: Ring, seen: Seen) -> tuple[ProbeFacts, ...]:
    left_out = (~seen.usable[:, :, seen.present]).mean(axis=(0, 2)) if seen.present.any() else seen.lost
    shares = np.stack([seen.clipped, seen.hanging, seen.lost, left_out], axis=1) * 100.0
    return tuple(ProbeFacts(name, *row) for name, row in zip(ring.columns, shares.tolist(), strict=True))


def _disagreement(ring: Ring, cells: Cells, seen: Seen, used: Flags) -> float | None:
    """Of the mean readings, in the bins in which every probe could be used."""
    whole = np.asarray(seen.usable[used].all(axis=1))
    bins = whole.mean(axis=0) > 0.5
    if not bins.any():
        return None
    means = [cells.mean[used, :, index][whole[:, index]].mean(axis=0) for index in np.flatnonzero(bins)]
    return disagreement(ring, np.stack(means))


def _file_facts(intake: Intake, kind: str) -> FileFacts:
    return FileFacts(
        kind=kind,
        samples=intake.rows,
        start_s=intake.start_s,
        end_s=intake.end_s,
        rate_hz=1.0 / intake.step_s if intake.step_s else 0.0,
        repeated_times=intake.repeated,
        gaps=intake.gaps,
        longest_gap_s=intake.longest_gap_s,
        first_gap_s=intake.first_gap_s,
        notes=tuple(intake.notes),
    )
