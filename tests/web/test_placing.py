"""Names beside points: on no other name, on no point, inside the plot, on an upright tablet and across."""

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from linelog.web.placing import LETTER_PX, LINE_PX, MARK_PX, WIDTHS, Named, notes, offsets

HEIGHT = 380.0
points = st.builds(
    Named,
    st.sampled_from(["BM 1", "BM 26", "Line 2 BM 14"]),
    st.floats(0.05, 0.95),
    st.floats(10.0, HEIGHT - 10.0),
    st.booleans(),
)


def overlap(one, other):
    """Whether two boxes (middle across, up, width, height) share any ground."""
    wide, high = (one[2] + other[2]) / 2 - 1e-6, (one[3] + other[3]) / 2 - 1e-6
    return abs(one[0] - other[0]) < wide and abs(one[1] - other[1]) < high


def boxes(named, width):
    found = offsets(named, HEIGHT)
    return [
        (width * one.share + offset[0], one.up + offset[1], LETTER_PX * len(one.text), LINE_PX)
        for one, offset in zip(named, found, strict=True)
        if offset is not None
    ]


@given(st.lists(points, max_size=20))
def test_no_name_stands_on_another_or_on_a_point_or_outside(named):
    for width in WIDTHS:
        written = boxes(named, width)
        assert not any(overlap(one, other) for one, other in combinations(written, 2))
        marks = [(width * one.share, one.up, MARK_PX, MARK_PX) for one in named]
        assert not any(overlap(one, mark) for one in written for mark in marks)
        assert all(one[2] / 2 <= one[0] <= width - one[2] / 2 for one in written)
        assert all(one[3] / 2 <= one[1] <= HEIGHT - one[3] / 2 for one in written)


def test_a_heap_of_fourteen_machines_is_named_all_the_same():
    heap = [Named(f"BM {number}", 0.93 + 0.001 * number, 120.0 + 3 * number, True) for number in range(14)]
    assert all(offset is not None for offset in offsets(heap, HEIGHT))


def test_a_point_alone_is_named_close_by_and_one_in_a_heap_by_a_line():
    alone = [Named("BM 1", 0.5, 190.0, True)]
    (note,) = notes(alone, [(1.0, 2.0)], HEIGHT)
    assert (note["text"], note["x"], note["y"]) == ("BM 1", 1.0, 2.0)
    assert note["arrowcolor"] != "--quiet"
    heap = [Named(f"BM {number}", 0.5, 190.0 + number, True) for number in range(12)]
    led = notes(heap, [(1.0, 2.0)] * 12, HEIGHT)
    assert any(note["arrowcolor"] == "--quiet" for note in led)


def test_a_point_that_does_not_matter_is_not_named_from_afar():
    heap = [Named(f"BM {number}", 0.5, 190.0 + number, number == 0) for number in range(12)]
    found = offsets(heap, HEIGHT)
    assert found[0] is not None
    assert sum(offset is not None for offset in found) < 12
