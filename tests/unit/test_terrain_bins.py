"""Bins along a laid bead against a plain count over every sample."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from liftwright.plan.bins import (
    B_COVERED,
    B_CURL,
    B_FREE,
    B_WRITE,
    BIN_ROWS,
    QUARTERS,
    fill_bins,
    quarter_of,
    quarters_in,
    set_offsets,
    settle,
    write_bins,
)
from liftwright.plan.cells import C_BELOW, C_TOP, RECORD_WORDS, TOP, Z_BELOW, Z_TOP
from liftwright.plan.raster import sample_points

Z, H = 2.0, 0.2
words = st.integers(0, 2**64 - 1)
bead_cells = st.lists(st.tuples(words, words, st.floats(-1.0, 6.0)), min_size=1, max_size=8)


def test_the_quarters_of_a_cell_hold_its_samples_by_the_sides_they_lie_on() -> None:
    points = sample_points()
    for quarter in range(QUARTERS):
        word = int(quarter_of(quarter))
        right, upper = quarter & 1, quarter >> 1
        for bit, (x, y) in enumerate(points):
            assert word >> bit & 1 == ((x > 0) == right and (y > 0) == upper)


def bin_of(along: float, quarter: int, turn: float, per_bin: float, count: int) -> int:
    """The bin of a quarter's middle; what lies before the first or behind the last belongs to them."""
    x, y = 0.5 * (quarter & 1) - 0.25, 0.5 * (quarter >> 1) - 0.25
    place = (along + math.cos(turn) * x + math.sin(turn) * y) * per_bin
    return min(max(int(place), 0), count - 1)


@given(bead_cells, st.floats(0.0, 6.28), st.integers(1, 6))
def test_samples_are_counted_in_the_bin_of_their_quarter(
    found: list[tuple[int, int, float]], turn: float, count: int
) -> None:
    """Twin: sample by sample. The cells have no allowances beneath."""
    per_bin = count / 5.0
    n = len(found)
    covers = np.array([word for word, _, _ in found], np.uint64)
    bares = covers & np.array([bare for _, bare, _ in found], np.uint64)
    alongs = np.array([along for _, _, along in found], np.float32)
    offsets, bins = np.zeros(QUARTERS), np.full((BIN_ROWS, count), -7, np.int64)
    records = np.zeros((n, RECORD_WORDS), np.uint64)
    set_offsets(math.cos(turn), math.sin(turn), per_bin, offsets)
    fill_bins(
        records, records.view(np.float32), np.arange(n, dtype=np.int32), covers, bares, alongs, Z, H, per_bin, count,
        offsets, bins,
    )  # fmt: skip
    covered, free = [0] * count, [0] * count
    for k in range(n):
        for quarter in range(QUARTERS):
            b = bin_of(alongs[k], quarter, turn, per_bin, count)
            covered[b] += (int(covers[k]) & int(quarter_of(quarter))).bit_count()
            free[b] += (int(bares[k]) & int(quarter_of(quarter))).bit_count()
    assert bins[B_COVERED].tolist() == covered
    assert bins[B_FREE].tolist() == free
    assert bins[B_CURL].tolist() == bins[B_WRITE].tolist() == [0] * count
    for b in range(count):
        masks = [int(quarters_in(alongs[k] * per_bin, b, b + 1, count, offsets)) for k in range(n)]
        assert sum((int(covers[k]) & masks[k]).bit_count() for k in range(n)) == covered[b]


def laid(curls: list[list[int]]) -> np.ndarray:
    """Cells wholly covered by a layer at Z, over another whose squares have these allowances."""
    records = np.zeros((len(curls), RECORD_WORDS), np.uint64)
    records[:, TOP] = 2**64 - 1
    singles = records.view(np.float32)
    singles[:, Z_TOP], singles[:, Z_BELOW] = Z, Z - H
    for k, sixteen in enumerate(curls):
        records[k, C_BELOW : C_BELOW + 2] = np.frombuffer(bytes(sixteen), "<u8")
    return records


curled = st.lists(st.lists(st.sampled_from([0, 0, 3, 60, 125]), min_size=16, max_size=16), min_size=4, max_size=4)
WHOLE = np.full(4, 2**64 - 1, np.uint64)
FOUR = np.arange(4, dtype=np.int32)


@given(curled)
def test_what_is_left_of_an_allowance_is_carried_on_across_a_carried_bead(curls: list[list[int]]) -> None:
    """Two columns of two cells each: in each of them half of its greatest allowance, and none below four parts."""
    records = laid(curls)
    tiles, marks = np.zeros(1, np.float32), np.zeros(1, np.uint64)
    settle(
        records, records.view(np.float32), tiles, marks, FOUR, WHOLE, np.array([2, 4], np.int32), Z, H, 0.5, 0.004, 1
    )
    for column in range(2):
        most = max(max(curls[2 * column]), max(curls[2 * column + 1])) // 2
        expected = most if most >= 4 else 0
        for k in (2 * column, 2 * column + 1):
            assert set(records[k, C_TOP : C_TOP + 2].tobytes()) == {expected}


@given(curled)
def test_the_allowance_of_a_bin_is_the_greatest_beneath_and_is_written_where_it_was_seen(
    curls: list[list[int]],
) -> None:
    """Cells one behind the other along X, a bin for each half of a cell."""
    records = laid(curls)
    offsets, bins = np.zeros(QUARTERS), np.zeros((BIN_ROWS, 8), np.int64)
    alongs = np.arange(4, dtype=np.float32) + np.float32(0.5)
    set_offsets(1.0, 0.0, 2.0, offsets)
    singles = records.view(np.float32)
    fill_bins(records, singles, FOUR, WHOLE, WHOLE, alongs, Z, H, 2.0, 8, offsets, bins)
    sides = [[square for square in range(16) if (square & 3) // 2 == side] for side in range(2)]
    expected = [max(curls[b // 2][square] for square in sides[b % 2]) for b in range(8)]
    assert bins[B_CURL].tolist() == expected
    bins[B_WRITE] = bins[B_CURL]
    tiles, marks = np.zeros(1, np.float32), np.zeros(1, np.uint64)
    write_bins(
        records, singles, tiles, marks, FOUR, WHOLE, alongs, Z, H, 2.0, 8, offsets, bins, 0.004, 1
    )
    for b in range(8):
        written = records[b // 2, C_TOP : C_TOP + 2].tobytes()
        assert {written[square] for square in sides[b % 2]} == {expected[b]}
    with_curl = [k for k in range(4) if any(expected[2 * k : 2 * k + 2])]
    assert int(marks[0]) == sum(1 << k for k in with_curl)
    assert tiles[0] == np.float32(max(Z + 0.004 * c for c in expected) if with_curl else 0.0)
