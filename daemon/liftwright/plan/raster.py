"""Beads on the bed grid: each cell holds 64 sample points, and what covers them is one 64-bit word.

In: a straight bead (ends, half width) in cell units. Out: for any cell the word of the samples it covers. A word for a
half plane is looked up by direction and distance; a bead is the common part of four of them, so the cost per cell is
the same at every turn, and counting samples gives areas far finer than a cell. Nothing here knows heights or curl.

The samples stand one in each square of an 8 × 8 board and one in each of 64 columns and 64 rows, so that an edge in any
direction meets them evenly (a plain 8 × 8 lattice places a wall along the axes only to an eighth of a cell).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import numpy as np
import numpy.typing as npt
from numba import types
from numba.extending import intrinsic

from liftwright.kernels import kernel

Words = npt.NDArray[np.uint64]
Integers = npt.NDArray[np.int64]

SAMPLES = 64
DIRECTIONS = 256
STEPS = 96
TILE = 8  # cells along one side of a tile; the 64 cells of a tile lie side by side in memory
PER_CELL = 64.0  # steps of the table in one cell
REACH = 0.75  # cells; a half plane farther than this from the middle of a cell covers it wholly or not at all
# Order of the samples within their board squares, found by search for the least error of half planes in all directions.
_COLUMN_ORDER = (1, 7, 3, 5, 2, 4, 0, 6)
_ROW_ORDER = (3, 4, 1, 7, 6, 0, 2, 5)


def sample_points() -> npt.NDArray[np.float64]:
    """Places of the 64 samples, shape (64, 2), in cells from the middle of the cell.

    Samples 4q to 4q + 3 lie in square q of the cell's 4 × 4 squares, counted along x first.
    """
    square, part = np.arange(SAMPLES) // 4, np.arange(SAMPLES) % 4
    i, j = square % 4 * 2 + part % 2, square // 4 * 2 + part // 2
    x = (i + (np.array(_COLUMN_ORDER)[j] + 0.5) / 8) / 8 - 0.5
    y = (j + (np.array(_ROW_ORDER)[i] + 0.5) / 8) / 8 - 0.5
    return np.stack([x, y], axis=1)


def half_plane_words() -> Words:
    """Words of half planes, shape (DIRECTIONS, STEPS): samples p with p·n <= d, n in steps of 2π/256, d of 1/64."""
    points = sample_points()
    angle = np.arange(DIRECTIONS) * (2 * np.pi / DIRECTIONS)
    normal = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    distance = (np.arange(STEPS) - STEPS // 2) * (2 * REACH / STEPS)
    inside = (normal @ points.T)[:, None, :] <= distance[None, :, None]
    inside[:, -1, :] = True
    inside[:, 0, :] = False
    return np.packbits(inside, axis=2, bitorder="little").view("<u8")[:, :, 0].astype(np.uint64)


@intrinsic
def _count_bits(typing_context: Any, word: Any) -> Any:
    """Number of ones in a 64-bit word (the machine's own instruction)."""
    del typing_context, word

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        del context, signature
        return builder.ctpop(arguments[0])

    return types.uint64(types.uint64), build



@intrinsic
def _lowest_bit(typing_context: Any, word: Any) -> Any:
    """Index of the lowest one of a 64-bit word that is not 0."""
    del typing_context, word

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        del signature
        return builder.cttz(arguments[0], context.get_constant(types.boolean, True))

    return types.uint64(types.uint64), build


# Typed names: the decorator hides from a type checker what the kernels see.
count_bits: Callable[[Any], np.uint64] = cast(Any, _count_bits)
lowest_bit: Callable[[Any], np.uint64] = cast(Any, _lowest_bit)


@kernel
def direction_of(ux: float, uy: float) -> int:
    """Index of the direction nearest to the unit vector (ux, uy), 0..255; within 0.22° of the nearest."""
    ax, ay = abs(ux), abs(uy)
    # A cubic stands in for the arc tangent (0.0038 rad off at most): the table is 0.0245 rad coarse anyway.
    if ax >= ay:
        q = ay / ax if ax > 0.0 else 0.0
        angle = q * (0.9724 - 0.1919 * q * q)
    else:
        q = ax / ay
        angle = 1.5707963267948966 - q * (0.9724 - 0.1919 * q * q)
    if ux < 0.0:
        angle = 3.141592653589793 - angle
    if uy < 0.0:
        angle = -angle
    return int(angle * (DIRECTIONS / 6.283185307179586) + DIRECTIONS + 0.5) & (DIRECTIONS - 1)


@kernel
def row_range(
    x0: float, y0: float, ux: float, uy: float, per_y: float, start: float, end: float, half: float, row: int
) -> tuple[int, int]:
    """First and last column that a turned rectangle can touch in one row of cells (first > last: none).

    The rectangle runs along (ux, uy) from `start` to `end`, measured from (x0, y0), `half` to each side; all in cells.
    per_y: from `over`, 1 / uy.
    """
    low = row - y0
    ax, ay = abs(ux), abs(uy)
    if per_y == 0.0:
        # Level: every row between its sides is touched from end to end.
        if low > half or low + 1.0 < -half:
            return 1, 0
        left, right = min(start * ux, end * ux), max(start * ux, end * ux)
    else:
        a, b = low * per_y, (low + 1.0) * per_y
        a, b = min(a, b), max(a, b)
        skew, wide = half * ax * abs(per_y), half * abs(per_y)
        begin, stop = max(start, a - skew) * ux, min(end, b + skew) * ux
        # The strip alone, without its ends, is tighter for steep beads.
        left = max(min(begin, stop) - half * ay, min(a * ux, b * ux) - wide)
        right = min(max(begin, stop) + half * ay, max(a * ux, b * ux) + wide)
    return int(np.floor(x0 + left)), int(np.floor(x0 + right))


@kernel
def over(uy: float) -> float:
    """1 / uy, or 0 for a direction that counts as level."""
    return 1.0 / uy if abs(uy) > 1e-6 else 0.0


@kernel
def cover(
    table: Words, columns: int, rows: int, x0: float, y0: float, ux: float, uy: float,
    start: float, end: float, half: float, cells: Integers, words: Words,
) -> int:  # fmt: skip
    """Write the cells and words of a turned rectangle (see row_range) into `cells` and `words`; how many there are.

    `columns` and `rows` are whole tiles. Parts outside the grid, or beyond the room of `cells`, are left out.
    """
    turn = direction_of(ux, uy)
    one, other = table[(turn + 64) & 255], table[(turn + 192) & 255]
    ahead, behind = table[turn], table[(turn + 128) & 255]
    grow, per_y = abs(ux) * half, over(uy)
    ya, yb = y0 + uy * start, y0 + uy * end
    first = max(0, int(np.floor(min(ya, yb) - grow)))
    last = min(rows - 1, int(np.floor(max(ya, yb) + grow)))
    n, room = 0, cells.size - 1
    # Distances are kept in steps of the table; the middle of the table is distance 0.
    sx, sy, middle = PER_CELL * ux, PER_CELL * uy, STEPS // 2 + 0.5
    reach, till, since = PER_CELL * half + middle, PER_CELL * end + middle, middle - PER_CELL * start
    for row in range(first, last + 1):
        left, right = row_range(x0, y0, ux, uy, per_y, start, end, half, row)
        left, right = max(left, 0), min(right, columns - 1)
        base = ((row >> 3) * (columns >> 3) << 6) + ((row & 7) << 3)
        dx, dy = left + 0.5 - x0, row + 0.5 - y0
        across, along = sx * dy - sy * dx, sx * dx + sy * dy
        a, b, c, d = reach - across, reach + across, till - along, since + along
        for column in range(left, right + 1):
            word = (
                one[np.uint64(min(max(int(a), 0), STEPS - 1))]
                & other[np.uint64(min(max(int(b), 0), STEPS - 1))]
                & ahead[np.uint64(min(max(int(c), 0), STEPS - 1))]
                & behind[np.uint64(min(max(int(d), 0), STEPS - 1))]
            )
            a += sy
            b -= sy
            c -= sx
            d += sx
            # Written first and counted afterwards: a branch here would be guessed wrong too often.
            cells[n] = base + ((column >> 3) << 6) + (column & 7)
            words[n] = word
            n = min(n + (word != 0), room)
    return n
