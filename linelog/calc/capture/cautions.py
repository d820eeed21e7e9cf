"""The warnings of a capture: each with its figures, one sentence, and what to look at.

What to look at is where a fitter would begin, from common practice without a source: a hint, not a diagnosis.
"""

import math
from collections.abc import Iterator

from linelog.calc.capture.limits import CaptureLimits
from linelog.calc.capture.results import (
    Caution,
    FileFacts,
    Kick,
    MoreStrokes,
    PhaseResult,
    ProbeFacts,
    Split,
    StrokeFacts,
    Sure,
    SureBy,
)
from linelog.calc.capture.strokes import FoundBy

Phases = dict[str, PhaseResult]
_BARELY = 0.05  # percent, below which a share is written with more digits


def movement_cautions(
    phases: Phases, split: Split | None, kick: Kick | None, minutes: float | None, limits: CaptureLimits
) -> Iterator[Caution]:
    """Yield what the ram itself does: drift (where `minutes` are given), split, kick, scatter."""
    if minutes is not None:
        yield from _drift(phases, minutes, limits)
    if split and split.size_um > limits.split_um:
        yield Caution(
            "split",
            {
                "size_um": split.size_um,
                "half_width_um": split.half_width_um,
                "largest_um": split.largest_um,
                "largest_at_mm": split.largest_at_mm,
                "limit_um": limits.split_um,
            },
            f"Forward and return paths lie {split.size_um:.1f} ± {split.half_width_um:.1f} µm apart on average, "
            f"at most {split.largest_um:.1f} µm at {split.largest_at_mm:.0f} mm of ram travel.",
            "Clearance of the front and rear bushing; play in the slide and the crosshead.",
        )
    if kick and kick.size_um > limits.kick_um:
        yield Caution(
            "kick",
            {
                "size_um": kick.size_um,
                "half_width_um": kick.half_width_um,
                "x_um": kick.x.value,
                "y_um": kick.y.value,
                "angle_deg": kick.angle_deg,
                "limit_um": limits.kick_um,
            },
            f"At doming the ram jumps {kick.size_um:.1f} ± {kick.half_width_um:.1f} µm "
            f"{toward(kick.x.value, kick.y.value)} (crank at {kick.angle_deg:.0f}°).",
            "Domer parallel and square to the ram line; dome pressure; clearance of the front bushing.",
        )
    wide = max(phases, key=lambda name: phases[name].spread_um)
    if phases[wide].spread_um > limits.spread_um:
        yield Caution(
            "spread",
            {"sd_um": phases[wide].spread_um, "limit_um": limits.spread_um},
            f"Stroke to stroke the ram scatters by {phases[wide].spread_um:.1f} µm (one standard deviation, "
            f"{wide} phase).",
            "Bushing clearance and oil supply; loose probe or bracket; cups not fed alike.",
            wide,
        )


def _drift(phases: Phases, minutes: float, limits: CaptureLimits) -> Iterator[Caution]:
    sizes = {name: math.hypot(each.drift_x.change, each.drift_y.change) for name, each in phases.items()}
    name = max(sizes, key=lambda each: sizes[each])
    x, y, size = phases[name].drift_x, phases[name].drift_y, sizes[name]
    if size <= limits.drift_um or not (x.proven or y.proven):
        return
    half = math.hypot(x.change / size * x.half_width * x.span, y.change / size * y.half_width * y.span)
    warm_x, warm_y = phases[name].drift_x_temperature, phases[name].drift_y_temperature
    figures = {"change_um": size, "half_width_um": half, "minutes": minutes, "limit_um": limits.drift_um}
    figures |= {"x_um": x.change, "y_um": y.change}
    by_warmth = ""
    if warm_x and warm_y:
        figures |= {"um_per_degree": math.hypot(warm_x.slope, warm_y.slope), "degrees": warm_x.span}
        by_warmth = f"; {figures['um_per_degree']:.2f} µm per degree, over {warm_x.span:.1f} degrees"
    yield Caution(
        "drift",
        figures,
        f"The ram drifted {size:.1f} ± {half:.1f} µm {toward(x.change, y.change)} in {minutes:.1f} min "
        f"({name} phase{by_warmth}).",
        "Capture again once the machine is warm; oil temperature and flow to each bushing; coolant on one side only.",
        name,
    )


def stroke_cautions(strokes: StrokeFacts, more: MoreStrokes, sure: Sure, limits: CaptureLimits) -> Iterator[Caution]:
    """Yield what is wrong with the strokes: too few, odd ones, unsteady speed, found by the pattern alone."""
    if sure.by is SureBy.NOTHING:
        yield Caution(
            "not sure",
            {"used": strokes.used, "alone": sure.fewest_alone, "long": sure.long_enough},
            f"{strokes.used} strokes cannot tell how alike neighbouring strokes are, so no ± of the offset and no "
            f"drift can be told: that takes {sure.fewest_alone} strokes, or one capture of {sure.long_enough} "
            "strokes of this station, by which shorter ones are then judged.",
            f"Record {sure.long_enough} strokes at steady speed once, then work this capture out again.",
        )
    elif strokes.used < limits.fewest_strokes:
        yield Caution(
            "few strokes",
            {"used": strokes.used, "wanted": limits.fewest_strokes, "half_width_um": more.now.half_width_um},
            f"Only {strokes.used} strokes could be used where {limits.fewest_strokes:.0f} are wanted: the offset is "
            f"known to ± {more.now.half_width_um:.1f} µm.",
            "Record for longer at steady speed.",
        )
    odd = 100.0 * strokes.odd / max(1, strokes.found)
    if odd > limits.odd_percent:
        yield Caution(
            "odd strokes",
            {"odd": strokes.odd, "percent": odd, "limit_percent": limits.odd_percent},
            f"{strokes.odd} strokes ({odd:.1f} %) are unlike the others and were set aside: that is more than a few.",
            "Cup feed, tear-offs during the capture; a loose probe; two kinds of stroke mixed in one file.",
        )
    yield from _speed(strokes, limits)
    if strokes.found_by == FoundBy.PATTERN.value:
        yield Caution(
            "pattern",
            {"found": strokes.found},
            "Neither pulse nor crank angle is in the file: strokes, full forward, and which way is forward were read "
            "off the pattern alone.",
            "Fit a pulse once a stroke; until then do not rely on forward and return being told apart.",
        )


def _speed(strokes: StrokeFacts, limits: CaptureLimits) -> Iterator[Caution]:
    unsteady = strokes.speed_sd_percent > limits.speed_sd_percent
    if unsteady or strokes.speed_range_percent > limits.speed_range_percent or strokes.off_speed:
        yield Caution(
            "speed",
            {
                "sd_percent": strokes.speed_sd_percent,
                "range_percent": strokes.speed_range_percent,
                "off_speed": strokes.off_speed,
            },
            f"The speed was not steady: {strokes.speed_per_min:.0f} strokes/min, "
            f"scatter {strokes.speed_sd_percent:.2f} %, range {strokes.speed_range_percent:.1f} %, "
            f"{strokes.off_speed} strokes off speed and set aside.",
            "Starts and stops within the capture; the drive; a pulse that is missed now and then.",
        )


def probe_cautions(
    probes: tuple[ProbeFacts, ...], disagreement_um: float | None, limits: CaptureLimits
) -> Iterator[Caution]:
    """Yield what is wrong with the probes: clipped, dropped out, at odds with one another."""
    for probe in probes:
        if probe.clipped_percent > limits.clipped_percent:
            yield Caution(
                "clipped",
                {"percent": probe.clipped_percent, "limit_percent": limits.clipped_percent},
                f"Probe {probe.column} was at the end of its range in {_percent(probe.clipped_percent)} of its "
                f"cells; {_percent(probe.left_out_percent)} of them were left out.",
                "Gap of that probe at rest; its range and the recorder's.",
            )
        dropped = probe.lost_percent + probe.hanging_percent
        if dropped > limits.dropped_percent:
            yield Caution(
                "dropped out",
                {"percent": dropped, "limit_percent": limits.dropped_percent},
                f"Probe {probe.column} dropped out in {_percent(dropped)} of its cells: no reading in "
                f"{_percent(probe.lost_percent)}, standing still in {_percent(probe.hanging_percent)}.",
                "Cable, connector and supply of that probe; coolant in the plug.",
            )
    if disagreement_um is not None and disagreement_um > limits.disagreement_um:
        yield Caution(
            "disagreement",
            {"rms_um": disagreement_um, "limit_um": limits.disagreement_um},
            f"The probes contradict one another by {disagreement_um:.1f} µm: no one place of the ram fits them all.",
            "Scale, zero and clock angle of each probe in the set-up; plugs swapped; punch out of round.",
        )


def file_cautions(file: FileFacts, unseen: tuple[str, ...]) -> Iterator[Caution]:
    """Yield what is wrong with the file, and which phases the ring did not see."""
    if file.gaps:
        yield Caution(
            "gaps",
            {"gaps": file.gaps, "longest_s": file.longest_gap_s, "first_s": file.first_gap_s},
            f"Samples are missing in {file.gaps:,} places, the first after {file.first_gap_s:.4f} s, the longest for "
            f"{file.longest_gap_s:.4f} s.",
            "The recorder's speed and disk.",
        )
    if file.repeated_times:
        yield Caution(
            "repeated times",
            {"repeated": file.repeated_times},
            f"{file.repeated_times:,} samples repeat the time before them and were left out.",
            "Resolution of the time stamps in the export.",
        )
    for note in file.notes:
        yield Caution("file", {}, note, "The export, and the copy of the file.")
    for name in unseen:
        yield Caution(
            "unseen",
            {},
            f"The ring saw too little of the {name} phase: nothing is said about it.",
            "Where the ring sits, the crank windows of the machine, and the position of the pulse.",
        )


def toward(x_um: float, y_um: float) -> str:
    """Say a direction by the clock face seen from the crank."""
    hour = round(math.degrees(math.atan2(x_um, y_um)) / 30.0) % 12 or 12
    return f"toward {hour} o'clock"


def _percent(share: float) -> str:
    return f"{share:.2g} %" if share < _BARELY else f"{share:.1f} %"
