from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelog.calc.adjust import Adjuster, Kind
from linelog.calc.shims import Pack, pack_table


def foot(stock, pieces_um=None, **more):
    return Adjuster("foot", Kind.SHIM, 0.0, clock_deg=0.0, stock=tuple(stock), pieces_um=pieces_um, **more)


def every_change(stock, pieces_um, most):
    """Fewest pieces for each change, by laying out every pack of at most `most` pieces a thickness."""
    at_hand = dict(stock)
    thicknesses = sorted({*at_hand, *(pieces_um or ())})
    ranges = []
    for thickness in thicknesses:
        put = 0 if thickness not in at_hand else most if at_hand[thickness] is None else at_hand[thickness]
        take = most if pieces_um is None else pieces_um.count(thickness)
        ranges.append(range(-min(take, most), min(put, most) + 1))
    fewest = {}
    for counts in product(*ranges):
        total = round(sum(n * t for n, t in zip(counts, thicknesses, strict=True)), 3)
        fewest[total] = min(fewest.get(total, 999), sum(abs(n) for n in counts))
    return fewest


THICKNESSES = st.lists(
    st.sampled_from([12.7, 20.0, 25.0, 25.4, 30.0, 50.0, 80.0, 100.0]), min_size=1, max_size=3, unique=True
)
STOCKS = THICKNESSES.flatmap(
    lambda known: st.tuples(*(st.tuples(st.just(t), st.none() | st.integers(0, 3)) for t in known))
)


@settings(max_examples=80, deadline=None)
@given(STOCKS, st.none() | st.lists(st.sampled_from([20.0, 25.0, 50.0, 75.0]), max_size=4), st.integers(-150, 150))
def test_the_table_has_every_change_by_the_fewest_pieces(stock, pieces_um, target):
    # Against counting out every pack there is, up to 4 of each thickness.
    pieces_um = None if pieces_um is None else tuple(pieces_um)
    table = pack_table(foot(stock, pieces_um), float(target))
    known = every_change(stock, pieces_um, 4)
    found = {round(t, 3): int(n) for t, n in zip(table.totals_um, table.pieces, strict=True)}
    for total, pieces in known.items():
        if pieces <= 4 and min(0, target) <= total <= max(0, target):
            assert found[total] == pieces
    for total, pieces in found.items():
        if pieces <= 4:
            assert known[total] == pieces


@settings(max_examples=80, deadline=None)
@given(STOCKS, st.none() | st.lists(st.sampled_from([20.0, 25.0, 50.0, 75.0]), max_size=4), st.integers(-400, 400))
def test_packs_are_made_of_pieces_that_are_there(stock, pieces_um, target):
    pieces_um = None if pieces_um is None else tuple(pieces_um)
    table = pack_table(foot(stock, pieces_um), float(target))
    at_hand = dict(stock)
    for total, pieces in list(zip(table.totals_um, table.pieces, strict=True))[:: max(1, len(table.pieces) // 20)]:
        pack = table.packs(float(total))[0]
        assert pack.total_um == pytest.approx(total, abs=1e-6)
        assert pack.pieces == pieces
        assert not set(pack.put_in) & set(pack.take_out)
        for thickness in set(pack.put_in):
            assert at_hand[thickness] is None or pack.put_in.count(thickness) <= at_hand[thickness]
        for thickness in set(pack.take_out):
            inside = at_hand if pieces_um is None else pieces_um
            assert thickness in inside
            assert pieces_um is None or pack.take_out.count(thickness) <= pieces_um.count(thickness)


def test_the_fewest_pieces_are_not_the_greedy_ones():
    table = pack_table(foot([(100.0, None), (70.0, None), (10.0, None)]), 140.0)
    assert table.packs(140.0)[0] == Pack(put_in=(70.0, 70.0))


def test_an_exchange_where_no_single_piece_does_it():
    table = pack_table(foot([(50.0, None)], pieces_um=(20.0,)), 30.0)
    assert table.packs(30.0)[0] == Pack(put_in=(50.0,), take_out=(20.0,))


def test_spare_pieces_open_every_other_pack():
    # 100 um from 25, 50 and 75: counted by hand, at most two pieces more than the two it takes.
    table = pack_table(foot([(25.0, None), (50.0, None), (75.0, None)], pieces_um=()), 100.0)
    packs = [pack.put_in for pack in table.packs(100.0, 2)]
    assert packs[:2] in ([(75.0, 25.0), (50.0, 50.0)], [(50.0, 50.0), (75.0, 25.0)])
    assert sorted(packs[2:]) == [(25.0, 25.0, 25.0, 25.0), (50.0, 25.0, 25.0)]


def test_taking_out_stops_at_what_is_in_the_pack():
    table = pack_table(foot([(50.0, None)], pieces_um=(50.0,)), -100.0)
    assert table.totals_um.min() == -50.0
