"""The bump test against the invented ring of the other tests, pushed; how a reading moves is worked out by hand.

A probe reads what comes nearer as more (its scale in um toward it); common practice, no source.
"""

from dataclasses import replace

import numpy as np
import pytest

from linelog.calc.capture.bump import PUSHES, Cause, Moved, Wrong, read_bump
from linelog.calc.capture.ring import Ring, movements, place
from tests.calc.capture.known import RING, ring, with_probe

THREE = ring(0.0, 120.0, 240.0)


def pushed(really: Ring) -> dict[float, tuple[Moved, ...]]:
    """What the readings of the ring as it really stands do, worked out from the place of the ram by hand."""
    seen = {}
    for push in PUSHES:
        x, y = 50.0 * np.sin(np.radians(push)), 50.0 * np.cos(np.radians(push))
        toward = [x * np.sin(np.radians(p.angle_deg)) + y * np.cos(np.radians(p.angle_deg)) for p in really.probes]
        reads = [um / p.scale_um_per_unit for um, p in zip(toward, really.probes, strict=True)]
        seen[push] = tuple(
            Moved.STAYS if abs(um) < 10.0 else Moved.RISES if value > 0.0 else Moved.FALLS
            for um, value in zip(toward, reads, strict=True)
        )
    return seen


@pytest.mark.parametrize("of", [RING, THREE, ring(0.0, 90.0), ring(45.0, 135.0, 225.0, 315.0, scale=-20.0)])
def test_a_ring_that_stands_as_it_is_set_up_is_right(of):
    assert read_bump(of, pushed(of)).right


def test_the_place_that_a_right_ring_gives_is_where_it_was_pushed():
    """The sums agree with the test: readings of a push toward 3 put the ram to the right."""
    raw = np.array([0.0, 0.5, 0.0, -0.5])
    assert movements(RING, raw).tolist() == [0.0, 50.0, 0.0, -50.0]
    at = place(RING, raw[None], np.ones((1, 4), dtype=bool))
    assert (at.x_um[0], at.y_um[0]) == pytest.approx((50.0, 0.0), abs=1e-9)


def moved_to(of: Ring, *angles: float) -> Ring:
    return replace(of, probes=tuple(replace(p, angle_deg=a) for p, a in zip(of.probes, angles, strict=True)))


@pytest.mark.parametrize(
    ("really", "cause"),
    [
        (moved_to(RING, 90.0, 0.0, 180.0, 270.0), Cause(Wrong.SWAPPED, ("p0", "p90"))),
        (moved_to(RING, 90.0, 180.0, 270.0, 0.0), Cause(Wrong.TURNED, degrees=90.0)),
        (moved_to(RING, 0.0, 270.0, 180.0, 90.0), Cause(Wrong.MIRRORED)),
        (with_probe(RING, 2, scale_um_per_unit=-100.0), Cause(Wrong.REVERSED, ("p180",))),
        (moved_to(THREE, 0.0, 240.0, 120.0), Cause(Wrong.SWAPPED, ("p120", "p240"))),
    ],
)
def test_what_is_wrong_is_named(really, cause):
    of = THREE if len(really.probes) == 3 else RING
    found = read_bump(of, pushed(really))
    assert not found.right
    assert cause in found.causes


def test_a_probe_that_never_moves_is_called_dead():
    seen = {push: (moved[0], Moved.STAYS, *moved[2:]) for push, moved in pushed(RING).items()}
    found = read_bump(RING, seen)
    assert found.wrong_columns == ("p90",)
    assert found.causes[0] == Cause(Wrong.DEAD, ("p90",))


def test_what_nothing_explains_is_wrong_all_the_same():
    nonsense = {0.0: (Moved.RISES,) * 4, 90.0: (Moved.FALLS, Moved.RISES, Moved.FALLS, Moved.FALLS)}
    found = read_bump(RING, nonsense)
    assert not found.right
    assert found.causes == ()
