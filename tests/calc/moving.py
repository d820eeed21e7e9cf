"""Adjusters as the tests of moves set them up, and what a move costs by its documented formula."""

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


def cost_of(x, y, slope_x, slope_y, limit, lever, pieces):
    """The cost as documented, written out a second time from plain numbers."""
    ws = [max(abs(x), lever * abs(slope_x)), max(abs(y), lever * abs(slope_y))]
    rest = abs(x) + abs(y) + lever * (abs(slope_x) + abs(slope_y))
    return sum(w + 20 * max(0.0, w - limit) for w in ws) + 0.05 * rest + pieces


def cost_of_solution(solution, limit, lever):
    after = solution.after
    pieces = sum(move.setting.pieces for move in solution.moves)
    slopes = [slope or 0.0 for slope in after.slopes]
    return cost_of(after.x_um, after.y_um, *slopes, limit, lever, pieces)
