"""One straight bead laid over the grid, column by column of cells, and what it met.

In: the terrain's records (cells.py), the bead in cell units. Out: the bead in the records; its cells with the samples
it covers in each, those of them that hang free, and where along the bead each cell lies; and sums over the bead.
"""

from __future__ import annotations

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.cells import C_BELOW, NONE, SAME_LAYER, TOP, Z_TOP, Floats, Singles, carriers, push
from liftwright.plan.raster import PER_CELL, STEPS, Integers, Words, count_bits, direction_of

# What a bead met: its columns, its cells, the first column, samples covered, with nothing beneath, the most of
# those in one cell, under something printed before; whether an allowance lies beneath any of its cells.
S_COLUMNS, S_CELLS, S_FIRST, S_COVERED, S_FREE, S_MOST, S_UNDER, S_CURL = range(8)
SUMS = 8
MOST_CELLS = 16384  # of one bead
MOST_COLUMNS = 4096
SIX = np.uint64(6)


@kernel
def lay_strip(
    words: Words, singles: Singles, tiles: Singles, table: Words, columns: int, rows: int, x0: float, y0: float,
    ux: float, uy: float, length: float, half: float, end: float, z: float, h: float,
    cells: Integers, covers: Words, bares: Words, alongs: Floats, ends: Integers, sums: Integers,
) -> None:  # fmt: skip
    """Lay a bead that runs along (ux, uy) for `length`, `half` to each side and `end` beyond its ends, all in cells.

    z, h: its top and layer height, mm. Parts outside the grid, or beyond the room of `cells`, are left out.
    """
    turn = direction_of(ux, uy)
    one, other = table[(turn + 64) & 255], table[(turn + 192) & 255]
    ahead, behind = table[turn], table[(turn + 128) & 255]
    level = abs(ux) >= abs(uy)
    # p runs along the axis nearer to the bead, q along the other one.
    if level:
        p0, q0, up, uq, most_p, most_q = x0, y0, ux, uy, columns, rows
    else:
        p0, q0, up, uq, most_p, most_q = y0, x0, uy, ux, rows, columns
    tile_columns = columns >> 3
    sx, sy = PER_CELL * ux, PER_CELL * uy
    middle = STEPS // 2 + 0.5
    reach, till, since = PER_CELL * half + middle, PER_CELL * (length + end) + middle, middle + PER_CELL * end
    side = sx if level else -sy
    on = sy if level else sx
    per_p = 1.0 / up
    slope, wide, grow, high_grow = uq * per_p, half * abs(per_p), abs(uq) * half, abs(up) * half
    pa, pb = p0 - up * end, p0 + up * (length + end)
    qa, qb = q0 - uq * end, q0 + uq * (length + end)
    low_q, high_q = min(qa, qb) - high_grow, max(qa, qb) + high_grow
    low_p = max(0, int(np.floor(min(pa, pb) - grow)))
    high_p = min(most_p - 1, int(np.floor(max(pa, pb) + grow)))
    step = 1 if up > 0.0 else -1
    p = low_p if step > 0 else high_p
    z32, low, high = np.float32(z), np.float32(z - SAME_LAYER * h), np.float32(z + SAME_LAYER * h)
    room = cells.size
    wanted = max(0, min(high_p - low_p + 1, ends.size))
    sums[S_COLUMNS], sums[S_FIRST] = wanted, p
    n, curled = 0, NONE
    covered = free = under = most = np.uint64(0)
    for m in range(wanted):
        a = q0 + (p - p0) * slope
        b = a + slope
        first = max(int(np.floor(max(min(a, b) - wide, low_q))), 0)
        last = min(int(np.floor(min(max(a, b) + wide, high_q))), most_q - 1)
        dp, dq = p + 0.5 - p0, first + 0.5 - q0
        if level:
            across, along = sx * dq - sy * dp, sx * dp + sy * dq
            base = ((p >> 3) << 6) + (p & 7)
        else:
            across, along = sx * dp - sy * dq, sx * dq + sy * dp
            base = ((p >> 3) * tile_columns << 6) + ((p & 7) << 3)
        left, right, front, back = reach - across, reach + across, till - along, since + along
        for q in range(first, last + 1):
            word = (
                one[np.uint64(min(max(int(left), 0), STEPS - 1))]
                & other[np.uint64(min(max(int(right), 0), STEPS - 1))]
                & ahead[np.uint64(min(max(int(front), 0), STEPS - 1))]
                & behind[np.uint64(min(max(int(back), 0), STEPS - 1))]
            )
            place = back - since
            left -= side
            right += side
            front -= on
            back += on
            if word == NONE or n == room:
                continue
            i = np.uint64(
                base + (((q >> 3) * tile_columns << 6) + ((q & 7) << 3) if level else ((q >> 3) << 6) + (q & 7))
            )
            tile, at = i >> SIX, np.uint64(n)
            if tiles[tile] < z32:
                tiles[tile] = z32
            bits = count_bits(word)
            top = singles[i, Z_TOP]
            if top < low:
                carry = push(words, singles, i, z, h)
                words[i, TOP] = word
            else:
                carry = carriers(words, singles, i, z, h)
                if top <= high:
                    words[i, TOP] |= word
                    singles[i, Z_TOP] = max(top, z32)
                else:
                    under += bits
            bare = word & ~carry
            cells[at], covers[at], bares[at], alongs[at] = np.int64(i), word, bare, place * (1.0 / PER_CELL)
            n += 1
            covered += bits
            free += count_bits(bare)
            most = max(most, count_bits(bare))
            curled |= words[i, C_BELOW] | words[i, C_BELOW + 1]
        p += step
        ends[m] = n
    sums[S_CELLS], sums[S_COVERED], sums[S_FREE], sums[S_UNDER] = n, covered, free, under
    sums[S_CURL], sums[S_MOST] = 0 if curled == NONE else 1, most
