"""The word tricks of a cell's record against plain Python: a sample a bit, a square four bits, an allowance a byte."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from liftwright.plan.cells import (
    C_TOP,
    OWNER,
    RECORD_WORDS,
    bytes_of,
    greater,
    greatest,
    marks_of,
    most_squares_of,
    put,
    squares_in,
    squares_of,
    squares_over,
)
from liftwright.plan.raster import SAMPLES, TILE, half_plane_words, sample_points

words = st.one_of(
    st.integers(0, 2**64 - 1), st.sets(st.integers(0, 63), max_size=5).map(lambda bits: sum(1 << bit for bit in bits))
)
allowances = st.lists(st.integers(0, 127), min_size=8, max_size=8)


def bits(word: int) -> list[int]:
    return [word >> k & 1 for k in range(64)]


def word_of(eight: list[int]) -> np.uint64:
    return np.uint64(int.from_bytes(bytes(eight), "little"))


def bytes_in(word: int) -> list[int]:
    return list(int(word).to_bytes(8, "little"))


@given(words)
def test_a_touched_square_is_marked_at_its_lowest_sample(word: int) -> None:
    expected = sum(1 << 4 * square for square in range(16) if any(bits(word)[4 * square : 4 * square + 4]))
    assert int(squares_of(np.uint64(word))) == expected


@given(words)
def test_a_square_counts_as_covered_from_two_of_its_four_samples_on(word: int) -> None:
    expected = sum(1 << 4 * square for square in range(16) if sum(bits(word)[4 * square : 4 * square + 4]) >= 2)
    assert int(most_squares_of(np.uint64(word))) == expected


@given(st.sets(st.integers(0, 7)))
def test_marks_of_eight_squares_become_the_bottoms_of_eight_bytes(squares: set[int]) -> None:
    marks = sum(1 << 4 * square for square in squares)
    assert bytes_in(bytes_of(np.uint64(marks))) == [int(k in squares) for k in range(8)]


@given(allowances, allowances)
def test_the_greater_of_two_words_is_taken_byte_by_byte(one: list[int], two: list[int]) -> None:
    assert bytes_in(greater(word_of(one), word_of(two))) == [max(a, b) for a, b in zip(one, two, strict=True)]


@given(allowances)
def test_the_greatest_byte_is_found(eight: list[int]) -> None:
    assert greatest(word_of(eight)) == max(eight)


@given(allowances)
def test_bytes_that_are_not_zero_are_marked(eight: list[int]) -> None:
    assert int(marks_of(word_of(eight))) == sum(1 << k for k, byte in enumerate(eight) if byte)


@given(words)
def test_touched_squares_as_sixteen_bits(word: int) -> None:
    expected = sum(1 << square for square in range(16) if any(bits(word)[4 * square : 4 * square + 4]))
    assert int(squares_in(np.uint64(word))) == expected


@given(allowances, allowances, st.floats(0.0, 200.0))
def test_squares_with_more_than_so_many_parts(low: list[int], high: list[int], parts: float) -> None:
    """Allowances have at most 125 parts."""
    low, high = ([min(byte, 125) for byte in eight] for eight in (low, high))
    expected = sum(1 << k for k, byte in enumerate([*low, *high]) if byte > parts)
    assert int(squares_over(word_of(low), word_of(high), parts)) == expected


@given(st.lists(st.tuples(allowances, allowances, st.integers(1, 3)), min_size=1, max_size=6))
def test_a_square_keeps_its_greatest_allowance_and_belongs_to_the_last_path_if_that_raised_it(
    writes: list[tuple[list[int], list[int], int]],
) -> None:
    """Twin: sixteen numbers and the set of squares that the last path has raised since it came."""
    record = np.zeros((1, RECORD_WORDS), np.uint64)
    kept, owner, raised = [0] * 16, 0, set[int]()
    for low, high, path in writes:
        put(record, 0, word_of(low), word_of(high), path)
        if path != owner:
            owner, raised = path, set()
        for square, byte in enumerate([*low, *high]):
            if byte > kept[square]:
                kept[square] = byte
                raised.add(square)
    assert bytes_in(record[0, C_TOP]) + bytes_in(record[0, C_TOP + 1]) == kept
    assert {square for square in range(16) if int(record[0, OWNER]) >> square & 1} == raised
    assert int(record[0, OWNER]) >> 16 == owner


def test_samples_stand_evenly() -> None:
    """One in each of 64 columns and 64 rows, one in each square of an 8 × 8 board, four in each of 4 × 4 squares."""
    points = sample_points()
    for axis in (0, 1):
        assert sorted(((points[:, axis] + 0.5) * SAMPLES).astype(int)) == list(range(SAMPLES))
    board = ((points + 0.5) * TILE).astype(int)
    assert len({(int(i), int(j)) for i, j in board}) == SAMPLES
    squares = ((points + 0.5) * 4).astype(int)
    assert (squares[:, 0] + 4 * squares[:, 1]).tolist() == [k // 4 for k in range(SAMPLES)]


def test_a_half_plane_covers_the_samples_on_its_side() -> None:
    """Every direction and distance of the table by itself, and the share of a half plane through the middle."""
    table, points = half_plane_words(), sample_points()
    directions, steps = table.shape
    for turn in range(0, directions, 7):
        angle = 2 * np.pi * turn / directions
        along = points @ np.array([np.cos(angle), np.sin(angle)])
        for step in range(1, steps - 1, 5):
            distance = (step - steps / 2) / 64
            clear = np.abs(along - distance) > 1e-9
            found = np.array(bits(int(table[turn, step])), bool)
            assert (found == (along <= distance))[clear].all()
        assert abs(sum(bits(int(table[turn, steps // 2]))) / SAMPLES - 0.5) <= 1 / 32
