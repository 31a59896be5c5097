"""One laid bead in bins along its length: how much of each hangs free, and what allowance lies beneath it.

In: the cells of a laid bead (laying.py). Out: samples and allowances by bin; and back, allowances by bin written on the
bead's squares. A quarter of a cell belongs to the bin of its middle.
"""

from __future__ import annotations

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.cells import (
    BYTE_BITS,
    C_BELOW,
    LEAST,
    NONE,
    SAME_LAYER,
    Z_TOP,
    Cells,
    Floats,
    Singles,
    allowances_beneath,
    bytes_of,
    greater,
    greatest,
    most_squares_of,
    note_curl,
    put,
    raise_curl,
    squares_of,
)
from liftwright.plan.raster import Integers, Words, count_bits

# Rows of the table of bins: samples covered, those with nothing beneath; allowance beneath, allowance to be written.
B_COVERED, B_FREE, B_CURL, B_WRITE = range(4)
BIN_ROWS = 4
MOST_BINS = 4096
QUARTERS = 4
# The samples of the quarters with low X and low Y, high X and low Y, low X and high Y, high X and high Y.
QUARTER = np.uint64(0x00FF00FF)
# The bytes of those of half a cell's squares that have the lower X.
LOW_X_BYTES = np.uint64(0x0000FFFF0000FFFF)
THIRTY_TWO = np.uint64(32)


@kernel
def quarter_of(quarter: int) -> np.uint64:
    """Samples of one quarter of a cell: 0 and 1 have the lower Y, 0 and 2 the lower X."""
    return QUARTER << np.uint64(8 * (quarter & 1) + 32 * (quarter >> 1))


@kernel
def set_offsets(ux: float, uy: float, per_bin: float, offsets: Floats) -> None:
    """Places of a cell's quarters along a direction, in bins from the middle of the cell."""
    for quarter in range(QUARTERS):
        offsets[quarter] = per_bin * (ux * (0.5 * (quarter & 1) - 0.25) + uy * (0.5 * (quarter >> 1) - 0.25))


@kernel
def fill_bins(
    words: Words, singles: Singles, cells: Cells, covers: Words, bares: Words, alongs: Singles,
    z: float, h: float, per_bin: float, count: int, offsets: Floats, bins: Integers,
) -> None:  # fmt: skip
    """Sum up the cells of a laid bead by bins, `per_bin` of them per cell's length."""
    for b in range(count):
        bins[B_COVERED, b] = bins[B_FREE, b] = bins[B_CURL, b] = bins[B_WRITE, b] = 0
    for k in range(cells.size):
        bare, i, word = bares[k], cells[k], covers[k]
        along = alongs[k] * per_bin
        for quarter in range(QUARTERS):
            b = min(max(int(along + offsets[quarter]), 0), count - 1)
            bins[B_COVERED, b] += np.int64(count_bits(word & quarter_of(quarter)))
            bins[B_FREE, b] += np.int64(count_bits(bare & quarter_of(quarter)))
        if (words[i, C_BELOW] | words[i, C_BELOW + 1]) != NONE:
            low, high = allowances_beneath(words, singles, i, z, h)
            touched = squares_of(word)
            low &= bytes_of(touched) * np.uint64(255)
            high &= bytes_of(touched >> THIRTY_TWO) * np.uint64(255)
            for quarter in range(QUARTERS):
                half = high if quarter > 1 else low
                c = greatest((half >> np.uint64(16 * (quarter & 1))) & LOW_X_BYTES)
                b = min(max(int(along + offsets[quarter]), 0), count - 1)
                bins[B_CURL, b] = max(bins[B_CURL, b], c)


@kernel
def quarters_in(along: float, low: int, high: int, count: int, offsets: Floats) -> np.uint64:
    """Samples of the quarters of a cell that belong to the bins low..high - 1; `along`: its middle, in bins."""
    mask = NONE
    for quarter in range(QUARTERS):
        b = min(max(int(along + offsets[quarter]), 0), count - 1)
        if low <= b < high:
            mask |= quarter_of(quarter)
    return mask


@kernel
def write_bins(
    words: Words, singles: Singles, tiles: Singles, curled: Words, cells: Cells, covers: Words, alongs: Singles,
    z: float, h: float, per_bin: float, count: int, offsets: Floats, bins: Integers, part: float, owner: int,
) -> None:  # fmt: skip
    """Write the bins' allowances on the bead's squares, as `raise_curl` does."""
    same, z32 = np.float32(SAME_LAYER * h), np.float32(z)
    for k in range(cells.size):
        i, along = cells[k], alongs[k] * per_bin
        c0 = bins[B_WRITE, min(max(int(along + offsets[0]), 0), count - 1)]
        c1 = bins[B_WRITE, min(max(int(along + offsets[1]), 0), count - 1)]
        c2 = bins[B_WRITE, min(max(int(along + offsets[2]), 0), count - 1)]
        c3 = bins[B_WRITE, min(max(int(along + offsets[3]), 0), count - 1)]
        most = max(max(c0, c1), max(c2, c3))
        if most == 0 or abs(singles[i, Z_TOP] - z32) > same:
            continue
        squares = most_squares_of(covers[k])
        low = (np.uint64(c0) * (BYTE_BITS & LOW_X_BYTES)) | (np.uint64(c1) * (BYTE_BITS & ~LOW_X_BYTES))
        high = (np.uint64(c2) * (BYTE_BITS & LOW_X_BYTES)) | (np.uint64(c3) * (BYTE_BITS & ~LOW_X_BYTES))
        low &= bytes_of(squares) * np.uint64(255)
        high &= bytes_of(squares >> THIRTY_TWO) * np.uint64(255)
        put(words, i, low, high, owner)
        note_curl(singles, tiles, curled, i, most * part)


@kernel
def settle(
    words: Words, singles: Singles, tiles: Singles, curled: Words, cells: Cells, covers: Words, ends: Cells,
    z: float, h: float, decay: float, part: float, owner: int,
) -> None:  # fmt: skip
    """Carry on what is left of the allowances beneath a bead that is carried from end to end: decay × the greatest
    across the bead, column by column of its cells."""
    first = 0
    for column in range(ends.size):
        last = ends[column]
        most = NONE
        for k in range(first, last):
            i = cells[k]
            if (words[i, C_BELOW] | words[i, C_BELOW + 1]) != NONE:
                low, high = allowances_beneath(words, singles, i, z, h)
                touched = squares_of(covers[k])
                most = greater(most, low & (bytes_of(touched) * np.uint64(255)))
                most = greater(most, high & (bytes_of(touched >> THIRTY_TWO) * np.uint64(255)))
        if most != NONE:
            c = int(decay * greatest(most))
            if c >= LEAST:
                raise_curl(words, singles, tiles, curled, cells, covers, first, last, z, h, c, part, owner)
        first = last
