"""One laid bead in bins along its length: how much of each hangs free, and what allowance lies beneath it.

In: the cells a bead covers (raster.py) and the bead's place. Out: samples and allowances by bin; and back, allowances
by bin written on the bead's squares. A square belongs to the bin of its middle.
"""

from __future__ import annotations

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.cells import (
    C_BELOW,
    FIFTEEN,
    NONE,
    SAME_LAYER,
    SQUARES,
    Z_TOP,
    Floats,
    Singles,
    allowances_beneath,
    bytes_of,
    carriers,
    most_squares_of,
    put,
    squares_of,
)
from liftwright.plan.raster import Integers, Words, count_bits, lowest_bit

# Rows of the table of bins: samples with nothing beneath, allowance beneath, allowance to be written.
B_FREE, B_CURL, B_WRITE = range(3)
BIN_ROWS = 3
MOST_BINS = 4096


@kernel
def place_of(i: int, tile_columns: int) -> tuple[int, int]:
    """Column and row of cell i."""
    tile, k = i >> 6, i & 63
    row = tile // tile_columns
    return ((tile - row * tile_columns) << 3) + (k & 7), (row << 3) + (k >> 3)


@kernel
def set_offsets(ux: float, uy: float, per_bin: float, offsets: Floats) -> None:
    """Places of a cell's squares along a direction, in bins from the middle of the cell."""
    for square in range(SQUARES):
        offsets[square] = per_bin * (ux * (0.25 * (square & 3) - 0.375) + uy * (0.25 * (square >> 2) - 0.375))


@kernel
def fill_bins(
    words: Words, singles: Singles, cells: Integers, covers: Words, n: int, tile_columns: int, x0: float, y0: float,
    ux: float, uy: float, z: float, h: float, per_bin: float, count: int, offsets: Floats, bins: Integers,
) -> None:  # fmt: skip
    """Sum up the n cells of a laid bead by bins; x0, y0 in cells, `per_bin` bins per cell.

    Cells with everything beneath them carried and flat are passed over: most of a job is.
    """
    set_offsets(ux, uy, per_bin, offsets)
    for b in range(count):
        bins[B_FREE, b] = bins[B_CURL, b] = bins[B_WRITE, b] = 0
    for k in range(n):
        i, word = cells[k], covers[k]
        bare = word & ~carriers(words, singles, i, z, h)
        curled = (words[i, C_BELOW] | words[i, C_BELOW + 1]) != NONE
        if bare == NONE and not curled:
            continue
        column, row = place_of(i, tile_columns)
        along = per_bin * (ux * (column + 0.5 - x0) + uy * (row + 0.5 - y0))
        if curled:
            low, high = allowances_beneath(words, singles, i, z, h)
            touched = squares_of(word)
            add_allowances(low, touched, along, offsets, 0, count, bins)
            add_allowances(high, touched >> np.uint64(32), along, offsets, 8, count, bins)
        squares = squares_of(bare)
        while squares != NONE:
            first = lowest_bit(squares)
            squares &= squares - np.uint64(1)
            b = min(max(int(along + offsets[first >> np.uint64(2)]), 0), count - 1)
            bins[B_FREE, b] += np.int64(count_bits((bare >> first) & FIFTEEN))


@kernel
def add_allowances(
    eight: np.uint64, squares: np.uint64, along: float, offsets: Floats, first: int, count: int, bins: Integers
) -> None:
    """Raise the allowance beneath in the bins of the eight squares from `first` on, where `squares` has their bit."""
    eight &= bytes_of(squares) * np.uint64(255)
    square = first
    while eight != NONE:
        c = np.int64(eight & np.uint64(127))
        if c > 0:
            b = min(max(int(along + offsets[square]), 0), count - 1)
            bins[B_CURL, b] = max(bins[B_CURL, b], c)
        eight >>= np.uint64(8)
        square += 1


@kernel
def write_bins(
    words: Words, singles: Singles, owners: Integers, own: Words, tiles: Singles, cells: Integers,
    covers: Words, n: int, tile_columns: int, x0: float, y0: float, ux: float, uy: float, z: float, h: float,
    per_bin: float, count: int, offsets: Floats, bins: Integers, part: float, owner: int,
) -> None:  # fmt: skip
    """Write the bins' allowances on the bead's squares, as `raise_curl` does."""
    same, z32 = np.float32(SAME_LAYER * h), np.float32(z)
    reach = 0.375 * per_bin * (abs(ux) + abs(uy))
    for k in range(n):
        i = cells[k]
        if abs(singles[i, Z_TOP] - z32) > same:
            continue
        column, row = place_of(i, tile_columns)
        along = per_bin * (ux * (column + 0.5 - x0) + uy * (row + 0.5 - y0))
        first = min(max(int(along - reach), 0), count - 1)
        last = min(max(int(along + reach), 0), count - 1)
        least, most = bins[B_WRITE, first], bins[B_WRITE, first]
        for b in range(first + 1, last + 1):
            least, most = min(least, bins[B_WRITE, b]), max(most, bins[B_WRITE, b])
        if most == 0:
            continue
        squares = most_squares_of(covers[k])
        if least == most:
            put(words, owners, own, i, squares, most, owner)
        else:
            for square in range(SQUARES):
                bit = squares & (np.uint64(1) << np.uint64(4 * square))
                c = bins[B_WRITE, min(max(int(along + offsets[square]), 0), count - 1)]
                if bit != NONE and c > 0:
                    put(words, owners, own, i, bit, c, owner)
        tiles[i >> 6] = max(tiles[i >> 6], singles[i, Z_TOP] + np.float32(most * part))
