"""A move, and what it leaves, in the words of the shop floor. All such text is made here and nowhere else.

Screws are told in turns and flats of a hexagon (six flats a turn), 'in' for clockwise. Lengths are in the unit asked
for: mm to 0.01 where that is exact and else to 0.001, inch to 0.0001, um to 1 or else 0.1.
"""

import math
from collections import Counter
from collections.abc import Sequence

from linelog.calc.adjust import Adjuster, Kind
from linelog.calc.frame import clock_words, direction_words
from linelog.calc.moves import AdjusterMove, Misalignment, MoveSolution
from linelog.calc.readings import View, clock_deg
from linelog.calc.shims import Pack
from linelog.calc.units import SlopeUnit, Unit

_FLATS_A_TURN = 6
_QUARTERS = {0: "", 1: "1/4", 2: "1/2", 3: "3/4"}
_EXACT_FLATS = 0.01  # nearer a quarter flat than this, and turns alone tell the move
_PLUMB = 1e-6  # a push with less of itself across is straight up or down
_NAMED_PIECES = 3  # from so many equal pieces on, say how many
_NOTICED_UM = 1.0  # a side effect smaller than this is not worth a word
_NOTICED_SLOPE = 0.005
_NOTICED_TURN = 0.05
_HOLDERS = {Kind.SCREW: "screws", Kind.SLIDE: "slides", Kind.SHIM: "feet"}
_FINEST_DECIMALS = {Unit.MM: 3, Unit.INCH: 4, Unit.UM: 1}


def move_words(move: AdjusterMove, unit: Unit, *, seen_from: View = View.CRANK) -> str:
    """Say one adjuster's move, and which way the part goes.

    'front foot: take out 0.08 mm: 0.05 + 0.03 (lowers it)', 'left screw: 1 turn and 2 flats in (moves it toward
    3 o'clock, seen from the crank)'. `seen_from` is the end the mechanic stands at; a clock direction is told in that
    view and names it. A pack that was never counted is not said to hold a piece: it is raised or lowered.
    """
    name = _placed(move.adjuster, seen_from)
    if move.travel_um == 0.0 and not (move.pack and move.pack.pieces):
        return f"{name}: leave it"
    if move.pack is not None and move.pack.take_out and move.adjuster.pieces_um is None:
        return f"{name}: {_uncounted_words(move, unit, seen_from)}"
    if move.pack is not None:
        return f"{name}: {_pack_words(move.pack, unit)}{_goes(move, seen_from)}"
    if move.adjuster.kind is Kind.SCREW:
        return f"{name}: {_screw_words(move, unit)}{_goes(move, seen_from)}"
    way = _way(move.adjuster, move.travel_um, seen_from)
    return f"{name}: move {_length(abs(move.travel_um), unit)} {way}, against the indicator"


def result_words(solution: MoveSolution, unit: Unit, slopes: SlopeUnit = SlopeUnit.MM_PER_M) -> str:
    """Say what is expected after the move: 'Expected after the move: 0.004 mm off, inside the limit of 0.025 mm.'."""
    after, limit = solution.after, solution.limit_um
    lead = "With nothing moved it is" if solution.leaves_all else "Expected after the move:"
    inside = solution.offset_inside
    size = _length(after.radial_um, unit) if inside else _length_up(after.radial_um, unit)
    seat = f" at the {after.worst.name} seat, where it is most" if after.worst.name else ""
    words = f"{lead} {size} off{seat}, {_where(inside)} the limit of {_length(limit, unit)}"
    if after.slope_mm_per_m is not None:
        words += f"; slope {_slope(after.slope_mm_per_m, slopes)}"
        if solution.slope_inside is not None and solution.tilt_limit_mm_per_m is not None:
            limit_words = _slope(solution.tilt_limit_mm_per_m, slopes)
            if solution.leaves_tilt and not solution.slope_inside:
                words += f", left as it is: it is not proven out of its limit of {limit_words}"
            else:
                words += f", {_where(solution.slope_inside)} the limit of {limit_words}"
    return words + "."


def out_of_reach_words(
    solution: MoveSolution, unit: Unit, slopes: SlopeUnit = SlopeUnit.MM_PER_M, *, seen_from: View = View.CRANK
) -> tuple[str, ...]:
    """Say what keeps the station outside its limits and by how much: a sentence each, none where it is inside."""
    if solution.inside:
        return ()
    found = [*_stuck_words(solution, unit, slopes, seen_from)]
    for move in solution.moves:
        if not move.in_bounds:
            low, high = move.adjuster.reach_um
            has = high if move.wanted_um > 0 else -low
            found.append(
                f"{move.adjuster.name} needs {_length(abs(move.wanted_um), unit)} of travel and has "
                f"{_length(has, unit)}: {_length(move.short_um, unit)} short."
            )
    if not solution.offset_inside:
        size, limit = solution.after.radial_um, solution.limit_um
        stays, over = _length_up(size, unit), _length_up(size - limit, unit)
        found.append(f"No reachable move brings it inside {_length(limit, unit)}: {stays} stays, {over} too much.")
    slope, tilt_limit = solution.after.slope_mm_per_m, solution.tilt_limit_mm_per_m
    if solution.slope_inside is False and not solution.leaves_tilt and slope is not None and tilt_limit is not None:
        found.append(
            f"No reachable move brings its slope inside {_slope(tilt_limit, slopes)} as well: "
            f"{_slope(slope, slopes)} stays."
        )
    return tuple(found)


def tilt_words(
    solution: MoveSolution, unit: Unit, slopes: SlopeUnit = SlopeUnit.MM_PER_M, *, seen_from: View = View.CRANK
) -> tuple[str, ...]:
    """Say that the move pushes a slope out of its limit, and what else there is: nothing where it does not."""
    limit, kept = solution.tilt_limit_mm_per_m, solution.keeping_tilt
    if not solution.pushes_tilt_out or limit is None or kept is None:
        return ()
    was, becomes = solution.before.slope_mm_per_m, solution.after.slope_mm_per_m
    if was is None or becomes is None:
        turned = _slope(solution.turned_mm_per_m, slopes)
        first = f"Decide before you make it: it turns the station by {turned}, more than the limit of "
        first += f"{_slope(limit, slopes)}, and the slope was not measured."
    else:
        first = f"Decide before you make it: it pushes the slope out of its limit of {_slope(limit, slopes)}, from "
        first += f"{_slope(was, slopes)} to {_slope(becomes, slopes)}."
    left = _length_up(kept.after.radial_um, unit)
    if kept.leaves_all:
        return first, f"With the slope kept inside, no move leaves less than the {left} there are now."
    return first, f"With the slope kept inside, the best leaves {left}: {_together(kept, unit, seen_from)}."


def side_effect_words(solution: MoveSolution, unit: Unit, slopes: SlopeUnit = SlopeUnit.MM_PER_M) -> tuple[str, ...]:
    """Say what else the move does: a swing about the tilt shims, a shift along the ram, a turn, a foot that hangs."""
    found = [*_swing_words(solution, unit)]
    unseen = None in solution.before.slopes and solution.tilt_limit_mm_per_m is None
    if unseen and solution.turned_mm_per_m >= _NOTICED_TURN:
        turned = _slope(solution.turned_mm_per_m, slopes)
        found.append(f"The move also turns the station by {turned}; its slope was not measured.")
    if abs(solution.endways_um) >= _NOTICED_UM:
        way = "domer" if solution.endways_um > 0 else "crank"
        found.append(f"The move also shifts it {_length(abs(solution.endways_um), unit)} toward the {way}.")
    if solution.strain_um >= _NOTICED_UM:
        gap = _length(solution.strain_um, unit)
        found.append(
            f"The adjusters do not fit one plane by {gap}: look for a foot that does not bear, after tightening."
        )
    return tuple(found)


def _swing_words(solution: MoveSolution, unit: Unit) -> tuple[str, ...]:
    """Say the order of tilt shims and of what holds the bore across, and how far it would swing if that were slack.

    In `adjust.mount` the body tilts about the height where the adjusters across the ram hold it. Where those are
    slack, or where there are none, it tilts about its shims instead: by the turn times the distance to them.
    """
    shims = [move.adjuster for move in solution.moves if move.adjuster.tilt_at_mm is not None and move.travel_um]
    if not shims:
        return ()
    pivot = math.fsum(shim.z_mm for shim in shims) / len(shims)
    swing = solution.turned_mm_per_m * max(abs(seat.z_mm - pivot) for seat in solution.before.judged)
    if swing < _NOTICED_UM:
        return ()
    across = [move.adjuster for move in solution.moves if move.adjuster.tilt_at_mm is None]
    if not _hold_both_ways(across):
        return (
            f"Tilt shims first, then sweep again: the bore is not held both ways across while it tilts. "
            f"About its shims it may swing by {_length(swing, unit)}, which is not in what is expected.",
        )
    holders = _HOLDERS[across[0].kind] if len({one.kind for one in across}) == 1 else "other adjusters"
    return (
        f"Tilt shims first, then the {holders}, then sweep again: what is expected counts on the {holders} to hold "
        f"the bore. Where they are slack it swings about its shims by {_length(swing, unit)}.",
    )


def _hold_both_ways(across: Sequence[Adjuster]) -> bool:
    """Whether pushes across the ram hold it right and left as well as up and down."""
    first = across[0].push if across else (0.0, 0.0, 0.0)
    return any(abs(first[0] * one.push[1] - first[1] * one.push[0]) > _PLUMB for one in across)


def placed_name(name: str, at_mm: tuple[float, float] | None, seen_from: View) -> str:
    """Name an adjuster, and where one that pushes along the ram stands: its name may mean anybody's clock.

    at_mm  the point (x, y) where it acts, seen from the crank; None for one that pushes across the ram
    """
    if at_mm is None or at_mm == (0.0, 0.0):
        return name
    return f"{name} (at {clock_words(clock_deg(*at_mm), seen_from)})"


def _placed(adjuster: Adjuster, seen_from: View) -> str:
    return placed_name(adjuster.name, adjuster.tilt_at_mm, seen_from)


def _where(inside: bool) -> str:
    return "inside" if inside else "outside"


def _together(solution: MoveSolution, unit: Unit, seen_from: View) -> str:
    return "; ".join(move_words(move, unit, seen_from=seen_from) for move in solution.moves if move.travel_um)


def _goes(move: AdjusterMove, seen_from: View) -> str:
    """Say what the part does: raised, lowered, or moved toward an hour or an end."""
    if move.travel_um == 0.0:
        return ""
    up = _upright(move)
    return f" ({up}s it)" if up else f" (moves it {_way(move.adjuster, move.travel_um, seen_from)})"


def _upright(move: AdjusterMove) -> str:
    """Return the verb for a push straight up or down; '' for one that goes another way."""
    x, y, z = move.adjuster.push
    if z or abs(x) > _PLUMB:
        return ""
    return "raise" if (move.travel_um > 0.0) == (y > 0.0) else "lower"


def _uncounted_words(move: AdjusterMove, unit: Unit, seen_from: View) -> str:
    size, up = _length(abs(move.travel_um), unit), _upright(move)
    if up:
        return f"{up} by {size} (its pack was never counted)"
    change = "thicker" if move.travel_um > 0.0 else "thinner"
    way = _way(move.adjuster, move.travel_um, seen_from)
    return f"make its pack {size} {change} (moves it {way}; the pack was never counted)"


def _pack_words(pack: Pack, unit: Unit) -> str:
    parts = [("put in", pack.put_in), ("take out", pack.take_out)]
    told = [f"{verb} {_pieces(pieces, unit)}" for verb, pieces in parts if pieces]
    if len(told) == 1:
        return told[0]
    change = "thicker" if pack.total_um > 0 else "thinner"
    return f"{told[0]}, and {told[1]}, which makes it {_length(abs(pack.total_um), unit)} {change}"


def _pieces(pieces: Sequence[float], unit: Unit) -> str:
    total = math.fsum(pieces)
    decimals = max(_decimals(size, unit) for size in (*pieces, total))
    counted = sorted(Counter(pieces).items(), reverse=True)
    names = []
    for size, count in counted:
        name = _number(size, unit, decimals)
        names += [f"{count} × {name}"] if count >= _NAMED_PIECES else [name] * count
    return f"{_number(total, unit, decimals)} {unit.label}: {' + '.join(names)}"


def _screw_words(move: AdjusterMove, unit: Unit) -> str:
    turns = abs(move.turns or 0.0)
    quarters = round(turns * _FLATS_A_TURN * 4)
    sense = "in" if (move.travel_um > 0) == move.adjuster.clockwise_moves_positive else "out"
    past = _backlash_words(move.adjuster) if sense == "out" else ""
    if quarters and abs(turns * _FLATS_A_TURN - quarters / 4) <= _EXACT_FLATS:
        return f"{_turns_and_flats(quarters)} {sense}{past}"
    about = f"about {_turns_and_flats(quarters)}" if quarters else "less than 1/4 flat"
    return f"{about} {sense}, to {_length(abs(move.travel_um), unit)} on the indicator{past}"


def _backlash_words(adjuster: Adjuster) -> str:
    """Every move of a screw ends turning in, so that its thread bears on the same side: out goes past and back."""
    quarters = math.ceil(adjuster.backlash_turns * 4 - 1e-9)
    if not quarters:
        return ""
    whole, rest = divmod(quarters, 4)
    parts = " and ".join(text for text in (str(whole) if whole else "", _QUARTERS[rest]) if text)
    return f", going past it by {parts} turn{'s' if quarters > 4 else ''} and coming back in"


def _turns_and_flats(quarters: int) -> str:
    turns, rest = divmod(quarters, 4 * _FLATS_A_TURN)
    flats, part = divmod(rest, 4)
    words = [f"{turns} turn{'s' if turns != 1 else ''}"] if turns else []
    if rest:
        count = " ".join(text for text in (str(flats) if flats else "", _QUARTERS[part]) if text)
        words.append(f"{count} flat{'s' if rest > 4 else ''}")
    return " and ".join(words)


def _way(adjuster: Adjuster, travel_um: float, seen_from: View) -> str:
    sign = 1.0 if travel_um > 0 else -1.0
    x, y, z = (sign * part for part in adjuster.push)
    if z:
        return "toward the domer" if z > 0 else "toward the crank"
    return direction_words(x, y, seen_from)


def _stuck_words(solution: MoveSolution, unit: Unit, slopes: SlopeUnit, seen_from: View) -> list[str]:
    stuck: Misalignment = solution.stuck
    found = []
    if not solution.offset_inside and stuck.radial_um >= _NOTICED_UM:
        ways = [clock_deg(sign * stuck.x_um, sign * stuck.y_um) for sign in (1.0, -1.0)]
        stays = _length(stuck.radial_um, unit)
        found.append(f"No adjuster moves it toward {clock_words(ways, seen_from)}: {stays} stays.")
    if solution.slope_inside is False and solution.mends_tilt and (stuck.slope_mm_per_m or 0.0) >= _NOTICED_SLOPE:
        for slope, way in zip(stuck.slopes, ("across", "up and down"), strict=True):
            if slope is not None and abs(slope) >= _NOTICED_SLOPE:
                found.append(f"No adjuster changes its slope {way}: {_slope(abs(slope), slopes)} stays.")
    return found


def _decimals(size_um: float, unit: Unit) -> int:
    finest = _FINEST_DECIMALS[unit]
    if unit is Unit.INCH:
        return finest
    coarser = size_um / unit.um * 10 ** (finest - 1)
    return finest - 1 if abs(coarser - round(coarser)) < 1e-3 else finest


def _number(size_um: float, unit: Unit, decimals: int) -> str:
    return f"{size_um / unit.um:.{decimals}f}"


def _length(size_um: float, unit: Unit) -> str:
    return f"{_number(size_um, unit, _decimals(size_um, unit))} {unit.label}"


def _length_up(size_um: float, unit: Unit) -> str:
    """Round up to the last decimal, so that what is over a limit never reads as nothing."""
    last = unit.um / 10 ** _FINEST_DECIMALS[unit]
    return _length(math.ceil(size_um / last - 1e-9) * last, unit)


def _slope(size: float, slopes: SlopeUnit) -> str:
    return f"{slopes.show(size, 2)} {slopes.label}"
