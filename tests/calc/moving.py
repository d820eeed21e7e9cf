"""Adjusters as the tests of moves set them up."""

from linelog.calc.adjust import Adjuster, Kind

USUAL = tuple((t, None) for t in (25.0, 50.0, 100.0, 200.0, 500.0))


def shim(name, z, stock=USUAL, **more):
    where = {} if "direction" in more or "tilt_at_mm" in more else {"clock_deg": 0.0}
    return Adjuster(name, Kind.SHIM, z, stock=tuple(stock), **where, **more)


def screw(name, z, **more):
    return Adjuster(name, Kind.SCREW, z, clock_deg=90.0, **({"pitch_mm": 1.5, "resolution_um": 10.0} | more))


def slide(name, z, step=0.1, **where):
    return Adjuster(name, Kind.SLIDE, z, resolution_um=step, **(where or {"clock_deg": 0.0}))


def travels(solution):
    return [move.travel_um for move in solution.moves]
