import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.adjust import Adjuster, Kind
from linelog.calc.choose import Setting
from linelog.calc.moves import AdjusterMove, Misalignment, solve_moves
from linelog.calc.readings import View
from linelog.calc.shims import Pack
from linelog.calc.shopwords import move_words, out_of_reach_words, result_words, side_effect_words
from linelog.calc.units import Unit

FOOT = Adjuster("front foot", Kind.SHIM, 0.0, clock_deg=0, stock=((50.0, None), (30.0, None)))
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
    assert said(FOOT, pack.total_um, pack, unit) == f"front foot: {words}"


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
    assert said(SCREW, flats * 250.0) == f"left screw: {words}"


def test_between_quarter_flats_the_indicator_has_the_last_word():
    assert said(SCREW, 70.0) == "left screw: about 1/4 flat in, to 0.07 mm on the indicator"
    assert said(SCREW, -20.0) == "left screw: less than 1/4 flat out, to 0.02 mm on the indicator"
    assert said(SCREW, 70.0, unit=Unit.INCH).endswith("to 0.0028 in on the indicator")


def test_a_screw_that_pulls_is_turned_the_other_way():
    pulls = Adjuster("s", Kind.SCREW, 0.0, clock_deg=90, pitch_mm=1.5, clockwise_moves_positive=False)
    assert said(pulls, 250.0) == "s: 1 flat out"
    assert said(pulls, -250.0) == "s: 1 flat in"


def test_slides_go_by_the_clock_as_the_mechanic_sees_it():
    assert said(SLIDE, 120.0) == "slide: move 0.12 mm toward 3 o'clock, seen from the crank, against the indicator"
    assert said(SLIDE, -120.0) == "slide: move 0.12 mm toward 9 o'clock, seen from the crank, against the indicator"
    assert "toward 9 o'clock, seen from the domer" in said(SLIDE, 120.0, seen_from=View.DOMER)
    slanted = Adjuster("s", Kind.SLIDE, 0.0, clock_deg=45, resolution_um=1.0)
    assert "toward 1:30 o'clock" in said(slanted, 5.0)
    assert "toward 7:30 o'clock" in said(slanted, -5.0)
    ahead = Adjuster("s", Kind.SLIDE, 0.0, tilt_at_mm=(0, 90), resolution_um=1.0)
    assert said(ahead, -50.0) == "s: move 0.05 mm toward the crank, against the indicator"
    assert said(ahead, 50.0, seen_from=View.DOMER) == "s: move 0.05 mm toward the domer, against the indicator"


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
    told = words.removeprefix("left screw: ")
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
    assert move_words(done.moves[0], Unit.MM) == "front foot: put in 0.08 mm: 0.05 + 0.03"
    assert result_words(done, Unit.MM) == (
        "Expected after the move: 0.003 mm off, inside the limit of 0.025 mm; "
        "slope 0.05 mm/m, inside the limit of 0.12 mm/m."
    )
    assert "0.0001 in off, inside the limit of 0.0010 in; slope 0.00005 in/in" in result_words(done, Unit.INCH)
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
        "No reachable move brings its slope inside 0.12 mm/m: 0.30 mm/m stays.",
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
