"""Beads on the bed grid: each cell holds 64 sample points, and what covers them is one 64-bit word.

Out: a table with the word of every half plane, by direction and distance, and which cells a turned rectangle can touch.
A bead is the common part of four half planes, so the cost per cell is the same at every turn, and counting samples
gives areas far finer than a cell. Nothing here knows heights or curl.

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
Index = int | np.int64 | np.uint64

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
