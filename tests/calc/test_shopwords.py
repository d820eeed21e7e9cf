from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.adjust import Adjuster, Kind
from linelog.calc.moves import AdjusterMove, Misalignment, SeatOffset, solve_moves
from linelog.calc.readings import View
from linelog.calc.shims import Pack
from linelog.calc.shopwords import move_words, out_of_reach_words, result_words, side_effect_words, tilt_words
from linelog.calc.travel_ladder import Setting
from linelog.calc.units import SlopeUnit, Unit

COUNTED = (50.0, 30.0, 20.0)
FOOT = Adjuster("front foot", Kind.SHIM, 0.0, clock_deg=0, stock=((50.0, None), (30.0, None)), pieces_um=COUNTED)
SCREW = Adjuster("left screw", Kind.SCREW, 0.0, clock_deg=90, pitch_mm=1.5)
SLIDE = Adjuster("slide", Kind.SLIDE, 0.0, clock_deg=90, resolution_um=1.0)


def said(adjuster, travel, pack=None, unit=Unit.MM, **more):
    return move_words(AdjusterMove(adjuster, travel, Setting(travel, pack)), unit, **more)


@pytest.mark.parametrize(
    ("pack", "unit", "words"),
    [
        (Pack(take_out=(50.0, 30.0)), Unit.MM, "take out 0.08 mm: 0.05 + 0.03"),
        (Pack(put_in=(100.0,)), Unit.MM, "put in 0.10 mm: 0.10"),
        (Pack(put_in=(50.0, 25.0)), Unit.MM, "put in 0.075 mm: 0.050 + 0.025"),
        (Pack(put_in=(50.0,) * 4 + (30.0,)), Unit.MM, "put in 0.23 mm: 4 × 0.05 + 0.03"),
        (
            Pack(put_in=(50.0,), take_out=(20.0,)),
            Unit.MM,
            "put in 0.05 mm: 0.05, and take out 0.02 mm: 0.02, which makes it 0.03 mm thicker",
        ),
        (Pack(put_in=(127.0, 25.4)), Unit.INCH, "put in 0.0060 in: 0.0050 + 0.0010"),
        (Pack(put_in=(25.0, 12.7)), Unit.UM, "put in 37.7 µm: 25.0 + 12.7"),
    ],
)
def test_packs(pack, unit, words):
    way = "raises" if pack.total_um > 0 else "lowers"
    assert said(FOOT, pack.total_um, pack, unit) == f"front foot: {words} ({way} it)"


def test_a_pack_that_was_never_counted_is_not_said_to_hold_a_piece():
    unknown = replace(FOOT, pieces_um=None)
    assert said(unknown, -20.0, Pack((30.0,), (50.0,))) == "front foot: lower by 0.02 mm (its pack was never counted)"
    assert said(unknown, 20.0, Pack((50.0,), (30.0,))) == "front foot: raise by 0.02 mm (its pack was never counted)"
    assert said(unknown, 50.0, Pack((50.0,))) == "front foot: put in 0.05 mm: 0.05 (raises it)"
    assert said(replace(unknown, clock_deg=90), -50.0, Pack((), (50.0,)), seen_from=View.DOMER) == (
        "front foot: make its pack 0.05 mm thinner (moves it toward 3 o'clock, seen from the domer; the pack was "
        "never counted)"
    )


def test_a_pack_says_which_way_the_part_goes():
    side, hung = replace(FOOT, clock_deg=90), replace(FOOT, clock_deg=180)
    assert said(side, 30.0, Pack((30.0,))) == (
        "front foot: put in 0.03 mm: 0.03 (moves it toward 3 o'clock, seen from the crank)"
    )
    assert said(side, -30.0, Pack((), (30.0,)), seen_from=View.DOMER) == (
        "front foot: take out 0.03 mm: 0.03 (moves it toward 3 o'clock, seen from the domer)"
    )
    assert said(hung, 30.0, Pack((30.0,))) == "front foot: put in 0.03 mm: 0.03 (lowers it)"


def test_a_screw_with_backlash_ends_every_move_turning_in():
    loose = replace(SCREW, clock_deg=0, backlash_turns=0.25)
    assert said(loose, -250.0) == "left screw: 1 flat out, going past it by 1/4 turn and coming back in (lowers it)"
    assert said(loose, 250.0) == "left screw: 1 flat in (raises it)"
    assert said(replace(loose, clockwise_moves_positive=False), 250.0) == (
        "left screw: 1 flat out, going past it by 1/4 turn and coming back in (raises it)"
    )
    assert "by 1 and 1/4 turns and" in said(replace(loose, backlash_turns=1.25), -250.0)


@pytest.mark.parametrize(
    ("flats", "words"),
    [
        (8, "1 turn and 2 flats in"),
        (-8, "1 turn and 2 flats out"),
        (1, "1 flat in"),
        (12, "2 turns in"),
        (6, "1 turn in"),
        (0.5, "1/2 flat in"),
        (1.25, "1 1/4 flats in"),
        (-7.75, "1 turn and 1 3/4 flats out"),
        (5.99, "1 turn in"),
    ],
)
def test_turns_and_flats(flats, words):
    # A flat of a hexagon is a sixth of a turn: 0.25 mm of travel at a pitch of 1.5 mm.
    way = "3" if flats > 0 else "9"
    assert said(SCREW, flats * 250.0) == f"left screw: {words} (moves it toward {way} o'clock, seen from the crank)"


def test_between_quarter_flats_the_indicator_has_the_last_word():
    assert said(SCREW, 70.0).startswith("left screw: about 1/4 flat in, to 0.07 mm on the indicator (moves it")
    assert said(SCREW, -20.0).startswith("left screw: less than 1/4 flat out, to 0.02 mm on the indicator (")
    assert said(SCREW, 70.0, unit=Unit.INCH).startswith(
        "left screw: about 1/4 flat in, to 0.0028 in on the indicator ("
    )


def test_a_screw_that_pulls_is_turned_the_other_way():
    pulls = Adjuster("s", Kind.SCREW, 0.0, clock_deg=90, pitch_mm=1.5, clockwise_moves_positive=False)
    assert said(pulls, 250.0).startswith("s: 1 flat out (moves it toward 3 o'clock")
    assert said(pulls, -250.0).startswith("s: 1 flat in (moves it toward 9 o'clock")


def test_slides_go_by_the_clock_as_the_mechanic_sees_it():
    assert said(SLIDE, 120.0) == "slide: move 0.12 mm toward 3 o'clock, seen from the crank, against the indicator"
    assert said(SLIDE, -120.0) == "slide: move 0.12 mm toward 9 o'clock, seen from the crank, against the indicator"
    assert "toward 9 o'clock, seen from the domer" in said(SLIDE, 120.0, seen_from=View.DOMER)
    slanted = Adjuster("s", Kind.SLIDE, 0.0, clock_deg=45, resolution_um=1.0)
    assert "toward 1:30 o'clock" in said(slanted, 5.0)
    assert "toward 7:30 o'clock" in said(slanted, -5.0)
    ahead = Adjuster("s", Kind.SLIDE, 0.0, tilt_at_mm=(0, 90), resolution_um=1.0)
    assert (
        said(ahead, -50.0)
        == "s (at 12 o'clock, seen from the crank): move 0.05 mm toward the crank, against the indicator"
    )
    at_four = Adjuster("tilt shim at 4", Kind.SLIDE, 0.0, tilt_at_mm=(80, -45), resolution_um=1.0)
    told = said(at_four, 50.0, seen_from=View.DOMER)  # whoever named it stood at the crank
    assert (
        told
        == "tilt shim at 4 (at 8 o'clock, seen from the domer): move 0.05 mm toward the domer, against the indicator"
    )


@pytest.mark.parametrize("adjuster", [FOOT, SCREW, SLIDE])
def test_leave_it(adjuster):
    assert said(adjuster, 0.0, Pack() if adjuster is FOOT else None) == f"{adjuster.name}: leave it"


@given(st.integers(-2000, 2000))
def test_turns_and_flats_say_the_travel(quarters):
    # Read back: turns and flats as told make up the travel asked for.
    words = said(SCREW, quarters * 62.5)
    if quarters == 0:
        assert words.endswith("leave it")
        return
    told = words.removeprefix("left screw: ").split(" (")[0]
    sign = 1 if told.endswith(" in") else -1
    turns = flats = 0.0
    for part in told.rsplit(" ", 1)[0].split(" and "):
        *numbers, unit = part.split()
        value = sum(int(n.split("/")[0]) / int(n.split("/")[1]) if "/" in n else int(n) for n in numbers)
        if unit.startswith("turn"):
            turns = value
        else:
            flats = value
    assert flats < 6
    assert sign * (turns * 6 + flats) * 250.0 == pytest.approx(quarters * 62.5)


def test_the_result_is_told_against_its_limits():
    done = solve_moves(Misalignment(0, -83.0, 0, 0.0, 0.05), [FOOT], 25.0, 0.12)
    assert move_words(done.moves[0], Unit.MM) == "front foot: put in 0.08 mm: 0.05 + 0.03 (raises it)"
    assert result_words(done, Unit.MM) == (
        "Expected after the move: 0.003 mm off, inside the limit of 0.025 mm; "
        "slope 0.05 mm/m, inside the limit of 0.12 mm/m."
    )
    assert "0.0001 in off, inside the limit of 0.0010 in; slope 0.00005 in/in" in result_words(
        done, Unit.INCH, SlopeUnit.IN_PER_IN
    )
    assert "; slope 0.05 mil/in, inside" in result_words(done, Unit.INCH, SlopeUnit.MIL_PER_IN)
    assert out_of_reach_words(done, Unit.MM) == ()


def test_a_station_without_adjusters_says_that_nothing_moves():
    stuck = solve_moves(Misalignment(60.0, 0.0, 0.0, 0.0, 0.3), [FOOT], 25.0, 0.12)
    assert result_words(stuck, Unit.MM) == (
        "With nothing moved it is 0.06 mm off, outside the limit of 0.025 mm; "
        "slope 0.30 mm/m, outside the limit of 0.12 mm/m."
    )
    assert out_of_reach_words(stuck, Unit.MM) == (
        "No adjuster moves it toward 3 or 9 o'clock, seen from the crank: 0.06 mm stays.",
        "No adjuster changes its slope up and down: 0.30 mm/m stays.",
        "No reachable move brings it inside 0.025 mm: 0.06 mm stays, 0.035 mm too much.",
        "No reachable move brings its slope inside 0.12 mm/m as well: 0.30 mm/m stays.",
    )


def test_what_is_short_is_named_with_its_figures():
    bounded = Adjuster("left screw", Kind.SCREW, 0.0, clock_deg=90, pitch_mm=1.5, min_um=-250.0, resolution_um=10.0)
    short = solve_moves(Misalignment(400.0, 0.0), [bounded], 25.0)
    assert out_of_reach_words(short, Unit.MM) == (
        "left screw needs 0.40 mm of travel and has 0.25 mm: 0.15 mm short.",
        "No reachable move brings it inside 0.025 mm: 0.15 mm stays, 0.125 mm too much.",
    )


def test_a_hair_over_the_limit_never_reads_as_inside_it():
    over = solve_moves(Misalignment(25.02, 0.0), [], 25.0)
    assert result_words(over, Unit.MM) == "With nothing moved it is 0.026 mm off, outside the limit of 0.025 mm."
    assert out_of_reach_words(over, Unit.MM)[-1].endswith("0.026 mm stays, 0.001 mm too much.")


def test_side_effects():
    arms = [
        Adjuster(f"arm {k}", Kind.SHIM, 0.0, tilt_at_mm=(x, y), stock=((20.0, None),), pieces_um=())
        for k, (x, y) in enumerate([(0.0, 100.0), (0.0, -100.0), (100.0, 0.0), (-100.0, 0.0)])
    ]
    tilted = solve_moves(Misalignment(0, 0, 0, 0.0, 0.2), arms, 25.0, 0.05)
    words = side_effect_words(tilted, Unit.MM)
    assert any(sentence.startswith("The move also shifts it 0.02 mm toward the domer") for sentence in words)
    none = solve_moves(Misalignment(0, -83.0), [FOOT], 25.0)
    assert side_effect_words(none, Unit.MM) == ()


def test_what_is_expected_is_told_of_the_seat_where_it_is_most():
    seats = (SeatOffset("front", 100.0, 0.0, 30.0), SeatOffset("rear", -100.0, 0.0, -20.0))
    left = solve_moves(Misalignment(0.0, 5.0, 0.0, 0.0, 0.25, seats), [replace(FOOT, z_mm=0.0)], 20.0)
    assert f"mm off at the {left.after.worst.name} seat, where it is most, outside the limit" in result_words(
        left, Unit.MM
    )


def test_a_slope_pushed_out_is_said_with_what_else_there_is():
    feet = [
        replace(FOOT, name=f"{end} foot", z_mm=z, stock=((50.0, None),), pieces_um=())
        for end, z in (("a", 100.0), ("b", -100.0))
    ]
    pushed = solve_moves(Misalignment(0, -25.0, 0, 0.0, 0.0), feet, 20.0, 0.12)
    assert tilt_words(pushed, Unit.MM) == (
        "Decide before you make it: it pushes the slope out of its limit of 0.12 mm/m, from 0.00 mm/m to 0.25 mm/m.",
        "With the slope kept inside, no move leaves less than the 0.025 mm there are now.",
    )
    assert tilt_words(solve_moves(Misalignment(0, -50.0, 0, 0.0, 0.0), feet, 20.0, 0.12), Unit.MM) == ()


def test_a_turn_that_nobody_measured_is_said():
    feet = [replace(FOOT, z_mm=z, stock=((50.0, None),), pieces_um=(), max_um=100.0) for z in (100.0, -100.0)]
    turned = solve_moves(Misalignment(0, -25.0), feet, 20.0)
    assert side_effect_words(turned, Unit.MM) == (
        "The move also turns the station by 0.25 mm/m; its slope was not measured.",
    )


def domer_of(*across):
    """Three tilt shims in a ring of 70 mm, 40 mm ahead of the bore, and what holds it across (common practice)."""
    shims = [
        Adjuster(f"shim at {k}", Kind.SHIM, 690.0, tilt_at_mm=at, stock=((10.0, None),), pieces_um=(500.0,))
        for k, at in ((12, (0.0, 70.0)), (4, (60.62, -35.0)), (8, (-60.62, -35.0)))
    ]
    return [*(replace(one, z_mm=650.0) for one in across), *shims]


def test_tilt_shims_come_first_and_the_swing_about_them_is_told():
    lift = Adjuster("lift", Kind.SCREW, 0.0, clock_deg=0.0, pitch_mm=1.5)
    side = replace(lift, name="side", clock_deg=90.0)
    tilted = Misalignment(0.0, -60.0, 650.0, 0.0, 0.58)
    solution = solve_moves(tilted, domer_of(lift, side), 38.0, 0.12)
    left = solution.after.slope_y_mm_per_m
    # by hand: a plane turned by so many mm/m about a point 40 mm off carries the bore by 40 times that, in um
    swing = f"{40.0 * (0.58 - left) / 1000.0:.3f}".rstrip("0")
    (words,) = side_effect_words(solution, Unit.MM)[:1]
    assert words.startswith("Tilt shims first, then the screws, then sweep again:")
    assert f"swings about its shims by {swing}" in words


@pytest.mark.parametrize("across", [0, 1])
def test_where_nothing_holds_the_bore_across_the_swing_is_said_not_to_be_expected(across):
    lift = Adjuster("lift", Kind.SCREW, 0.0, clock_deg=0.0, pitch_mm=1.5)
    solution = solve_moves(Misalignment(0.0, 0.0, 650.0, 0.58, 0.0), domer_of(*[lift] * across), 38.0, 0.12)
    words = side_effect_words(solution, Unit.MM)[0]
    assert words.startswith("Tilt shims first, then sweep again: the bore is not held both ways")
    assert "which is not in what is expected" in words


def test_what_tilts_where_it_is_swept_does_not_swing():
    lift = Adjuster("lift", Kind.SCREW, 0.0, clock_deg=0.0, pitch_mm=1.5)
    side = replace(lift, name="side", clock_deg=90.0)
    solution = solve_moves(Misalignment(0.0, -60.0, 690.0, 0.0, 0.58), domer_of(lift, side), 38.0, 0.12)
    assert not any("swing" in words for words in side_effect_words(solution, Unit.MM))
