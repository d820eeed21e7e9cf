"""The hanging ram: worked figures, signs, contact, and an unrelated solver."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelog.calc.droop import Bushing, Mass, Ram, Section, Side, hang, ram_beam, standard_uncertainty_um
from linelog.calc.errors import CalcError
from tests.calc import hermite

TUBE = {"outside_mm": 63.5, "bore_mm": 31.75, "density_kg_per_m3": 7850.0, "modulus_gpa": 205.0}


def tube(span=500.0, overhang=650.0, kg=0.0, clearance=0.0):
    masses = (Mass("punch", kg, 0.0),) if kg else ()
    return Ram((Section(span + overhang, **TUBE),), masses, Bushing(-span, clearance), Bushing(0.0, clearance))


def tip(ram, nose):
    return hang(ram, nose, nose)


# A ram of three steps with a yoke, a punch over its last part and a bolt, all positions of the stroke inside.
STEPPED = Ram(
    (Section(400, 63.5, 31.75, 7850, 205), Section(500, 60, 30, 7850, 205), Section(300, 57, 25, 14_500, 560)),
    (Mass("punch", 4.0, 10, 160), Mass("bolt", 0.6, 0), Mass("yoke", 9.0, 1150, 50)),
    Bushing(-480, 40),
    Bushing(0, 50),
)


def test_worked_figures_of_a_typical_ram():
    """OD 63.5, bore 31.75, span 500, overhang 650 mm: 49.8 um, 41.4 um for 4 kg, 72 um for 0.04 mm; derived."""
    own = tip(tube(), 650.0)
    both = tip(tube(kg=4.0, clearance=40.0), 650.0)
    assert -own.deflection_um[0, 0] == pytest.approx(49.8, abs=0.05)
    assert own.bent_um[0, 0] - both.bent_um[0, 0] == pytest.approx(41.4, abs=0.05)
    assert both.tipped_um[0, 0] == pytest.approx(-72.0, abs=1e-9)
    assert -both.deflection_um[0, 0] == pytest.approx(163.3, abs=0.05)


def test_a_short_overhang_rises():
    """Overhang 150 of span 500 mm: the span's sag lifts the nose by half a micrometre; derived, see test_beam."""
    assert tip(tube(overhang=150.0), 150.0).deflection_um[0, 0] == pytest.approx(0.52, abs=0.005)


def test_stepped_ram_with_a_mass_at_its_end():
    """Own numbers, found by double integration and by finite elements: nothing published was found."""
    common = {"density_kg_per_m3": 7850.0, "modulus_gpa": 210.0}
    sections = (Section(500, 110, 50, **common), Section(800, 95, 50, **common), Section(600, 80, 40, **common))
    ram = Ram(sections, (Mass("end mass", 12.0, 0.0),), Bushing(-800, 0), Bushing(0, 0))
    seen = tip(ram, 1000.0)
    assert seen.deflection_um[0, 0] / 1000 == pytest.approx(-0.192149, abs=2e-6)
    assert seen.slope_mm_per_m[0, 0] == pytest.approx(-0.256009, abs=2e-6)
    assert seen.reaction_n[0] == pytest.approx([-63.662631, 961.298109], abs=2e-6)
    assert -ram_beam(ram).force / 9.80665 - 12.0 == pytest.approx(79.533345, abs=2e-6)


def test_rigid_tilt_inside_two_clearances():
    """Rigid-body geometry, derived: rear up 0.010, front down 0.015 over 800 mm; 500 mm on that is -0.030625 mm."""
    ram = Ram((Section(1300, **TUBE),), (Mass("punch", 20.0, 0.0),), Bushing(-800, 20), Bushing(0, 30))
    seen = tip(ram, 500.0)
    assert list(seen.side[0]) == [Side.TOP, Side.BOTTOM]
    assert seen.tipped_um[0, 0] / 1000 == pytest.approx(-0.030625, abs=1e-12)
    straight = tip(replace(ram, rear=Bushing(-800, 0), front=Bushing(0, 0)), 500.0)
    assert seen.slope_mm_per_m[0, 0] - straight.slope_mm_per_m[0, 0] == pytest.approx(-0.03125, abs=1e-12)


def test_where_its_weight_lies_decides_the_side():
    """A plain tube of 1150 mm on bushings at -500 and 0: its middle lies between them for a nose from 75 to 575."""
    seen = hang(tube(clearance=40.0), [70.0, 80.0, 570.0, 580.0], [0.0])
    up, down = Side.TOP, Side.BOTTOM
    assert seen.side.tolist() == [[down, up], [down, down], [down, down], [up, down]]
    assert seen.tipped_um[1:3, 0] == pytest.approx([-20.0, -20.0])


def test_a_heavy_rear_end_tips_the_other_way():
    ram = Ram((Section(1200, **TUBE),), (Mass("yoke", 60.0, 1200),), Bushing(-500, 40), Bushing(0, 40))
    seen = tip(ram, 50.0)
    assert seen.reaction_n[0, 1] < 0
    assert list(seen.side[0]) == [Side.BOTTOM, Side.TOP]
    assert seen.tipped_um[0, 0] == pytest.approx(20 + 40 * 50 / 500)


def test_reactions_carry_the_weight_and_its_moment():
    nose = np.linspace(60, 690, 40)
    seen = hang(STEPPED, nose, [0.0])
    beam = ram_beam(STEPPED)
    assert seen.reaction_n.sum(1) == pytest.approx(np.full(40, -beam.force))
    centre_of_gravity = beam.first_moment / beam.force + nose - STEPPED.length_mm
    assert seen.reaction_n @ [-480.0, 0.0] == pytest.approx(-beam.force * centre_of_gravity)


def test_every_position_and_place_is_as_finite_elements_say():
    nose = np.linspace(60, 690, 7)
    places = np.linspace(-600, 750, 31)
    seen = hang(STEPPED, nose, places)
    lengths = np.array([s.length_mm for s in STEPPED.sections])
    edges = np.concatenate([[0], np.cumsum(lengths)])
    area = np.array([math.pi / 4 * (s.outside_mm**2 - s.bore_mm**2) for s in STEPPED.sections])
    inertia = np.array([math.pi / 64 * (s.outside_mm**4 - s.bore_mm**4) for s in STEPPED.sections])
    weight = -area * 1e-9 * [s.density_kg_per_m3 for s in STEPPED.sections] * 9.80665
    rigidity = inertia * 1000 * [s.modulus_gpa for s in STEPPED.sections]
    loads = [(1030, 1190, -4 * 9.80665), (1200, 1200, -0.6 * 9.80665), (0, 50, -9 * 9.80665)]
    for p, at in enumerate(nose):
        tail = at - 1200
        on = seen.on_ram[p]
        spots = places[on] - tail
        # each place looked at is made a node by a load of nothing
        looked = [*loads, *((s, s, 0.0) for s in spots)]
        lift = seen.side[p] * np.array([20.0, 25.0]) / 1000
        fixed = {(-480 - tail, 0): lift[0], (-tail, 0): lift[1]}
        nodes, height, slope, push = hermite.solve(edges, rigidity, weight, looked, fixed)
        pick = np.searchsorted(nodes, spots)
        assert seen.deflection_um[p, on] == pytest.approx(1000 * height[pick], abs=1e-4)
        assert seen.slope_mm_per_m[p, on] == pytest.approx(1000 * slope[pick], abs=1e-6)
        assert seen.reaction_n[p] == pytest.approx(push, abs=1e-4)


def test_slope_is_the_derivative_of_deflection():
    z = np.arange(-470.0, 700.0, 7.0)
    seen = hang(STEPPED, 690.0, np.concatenate([z - 0.01, z + 0.01]))
    rise = np.diff(seen.deflection_um[0].reshape(2, -1), axis=0)[0] / 0.02
    assert rise == pytest.approx(seen.slope_mm_per_m[0].reshape(2, -1).mean(0), abs=1e-5)


def test_places_may_follow_the_ram():
    nose = np.array([100.0, 400.0, 690.0])
    followed = hang(STEPPED, nose, nose[:, None])
    for p, at in enumerate(nose):
        assert followed.deflection_um[p, 0] == hang(STEPPED, at, at).deflection_um[0, 0]


def test_beyond_the_nose_a_straight_arm():
    seen = hang(STEPPED, 600.0, [600.0, 650.0])
    assert list(seen.on_ram[0]) == [True, False]
    arm = seen.deflection_um[0, 1] - seen.deflection_um[0, 0]
    assert arm == pytest.approx(50 * seen.slope_mm_per_m[0, 0])


def test_a_film_carries_the_ram_until_it_touches():
    dry = tube(kg=4.0, clearance=40.0)
    push = tip(dry, 650.0).reaction_n[0]
    floating = replace(dry, rear=Bushing(-500, 40, 100.0), front=Bushing(0, 40, 50.0))
    seen = tip(floating, 650.0)
    assert list(seen.side[0]) == [Side.FILM, Side.FILM]
    rear, front = -push[0] / 100, -push[1] / 50
    assert seen.tipped_um[0, 0] == pytest.approx(front + (front - rear) * 650 / 500)
    soft = tip(replace(dry, rear=Bushing(-500, 40, 0.01), front=Bushing(0, 40, 0.01)), 650.0)
    assert soft.deflection_um == pytest.approx(tip(dry, 650.0).deflection_um)
    assert list(soft.side[0]) == [Side.TOP, Side.BOTTOM]


def test_uncertainty_is_what_a_changed_input_does():
    """Against JCGM 100:2008 5.1.3: each contribution found numerically, by changing one input by its uncertainty."""
    dry = tube(kg=4.0, clearance=40.0)
    seen = tip(dry, 650.0)
    base = seen.deflection_um[0, 0]
    changed = [
        replace(dry, rear=Bushing(-500, 45)),
        replace(dry, front=Bushing(0, 45)),
        replace(dry, sections=(replace(dry.sections[0], modulus_gpa=205 / 1.02),)),
        replace(
            dry, sections=(replace(dry.sections[0], density_kg_per_m3=7850 * 1.03),), masses=(Mass("p", 4.12, 0),)
        ),
    ]
    parts = [tip(ram, 650.0).deflection_um[0, 0] - base for ram in changed]
    u = standard_uncertainty_um(seen, clearance_u_um=5.0, weight_u=0.03, stiffness_u=0.02)
    assert u[0, 0] == pytest.approx(math.hypot(*parts), rel=1e-6)
    film = tip(replace(dry, rear=Bushing(-500, 40, 100.0), front=Bushing(0, 40, 50.0)), 650.0)
    assert standard_uncertainty_um(film, clearance_u_um=5.0)[0, 0] == 0.0


def test_same_inputs_same_bits():
    nose = np.linspace(60, 690, 200)
    first, second = hang(STEPPED, nose, nose), hang(STEPPED, nose, nose)
    assert first.deflection_um.tobytes() == second.deflection_um.tobytes()


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"sections": ()}, "sections", "at least one section"),
        ({"sections": (Section(1150, 60, 60, 7850, 205),)}, "bore_mm", "smaller than its outside"),
        ({"sections": (Section(1150, 60, 70, 7850, 205),)}, "bore_mm", "smaller than its outside"),
        ({"sections": (Section(1150, 60, -1, 7850, 205),)}, "bore_mm", "between 0 and"),
        ({"sections": (Section(0, 60, 30, 7850, 205),)}, "length_mm", "more than 0"),
        ({"sections": (Section(1150, 60, 30, 7850, 0),)}, "modulus_gpa", "more than 0"),
        ({"sections": (Section(1150, 1e308, 30, 7850, 205),)}, "outside_mm", "between"),
        ({"sections": (Section(1150, 60, 30, math.nan, 205),)}, "density_kg_per_m3", "number"),
        ({"masses": (Mass("The punch", 4, 1100, 100),)}, "masses", "The punch must lie on the ram"),
        ({"masses": (Mass("the punch", -4, 0),)}, "kg", "The mass of the punch"),
        ({"rear": Bushing(0, 40)}, "bushings", "in front of"),
        ({"rear": Bushing(-500, -1)}, "clearance_um", "between"),
        ({"rear": Bushing(-500, 40, 0.0)}, "film_n_per_um", "more than 0"),
        ({"rear": Bushing(-501, 40)}, "nose_z_mm", "not in the rear bushing"),
        ({"front": Bushing(651, 40)}, "nose_z_mm", "not in the front bushing"),
    ],
)
def test_a_ram_that_is_none(change, field, words):
    with pytest.raises(CalcError, match=words) as caught:
        hang(replace(tube(), **change), 650.0, 650.0)
    assert caught.value.field == field


@pytest.mark.parametrize("nose", [math.nan, math.inf, 1e308, "far"])
def test_a_position_that_is_no_number(nose):
    with pytest.raises(CalcError) as caught:
        hang(tube(), nose, 650.0)
    assert caught.value.field == "nose_z_mm"


sizes = st.one_of(st.floats(1e-3, 2000), st.floats(allow_nan=True, allow_infinity=True))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(sizes, sizes, sizes, sizes, sizes), max_size=3), sizes, sizes, st.floats(0, 1), sizes)
def test_whatever_is_typed_the_answer_is_finite_or_a_sentence(rows, kg, clearance, share, z):
    sections = tuple(Section(length, bore + wall, bore, heavy, stiff) for length, bore, wall, heavy, stiff in rows)
    ram = Ram(sections, (Mass("punch", kg, 0.0),), Bushing(-1e-3, clearance), Bushing(0.0, clearance, kg))
    told = None
    try:
        seen = hang(ram, share * ram.length_mm, z)
    except CalcError as error:
        told = error
    if told is not None:
        assert told.field
        assert told.message.endswith(".")
    else:
        assert np.isfinite(seen.deflection_um).all()
        assert np.isfinite(seen.slope_mm_per_m).all()
