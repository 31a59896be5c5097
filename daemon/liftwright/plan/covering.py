"""Which cells of the grid a straight bead covers, and which samples of each: geometry alone, whatever is printed.

In: a bead in cell units, or on the bed. Out: its cells, the samples covered in each, where along the bead each lies,
and where the bead's columns of cells end. What is printed isn't asked, so that a window's beads may be covered before
it is their turn to be laid.
"""

from __future__ import annotations

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.bed import COLUMNS, PER_MM, ROWS, X_LOW, Y_LOW, Covered
from liftwright.plan.cells import NONE, Floats
from liftwright.plan.raster import PER_CELL, STEPS, Words, direction_of

MOST_CELLS = 16384  # of one bead
MOST_COLUMNS = 4096
# The bead's round end counts as a straight one of the same area: π/4 of half its width.
ROUND_END = 0.7853981633974483


@kernel
def cover_strip(
    table: Words, columns: int, rows: int, x0: float, y0: float, ux: float, uy: float, length: float, half: float,
    end: float, bead: Covered,
) -> tuple[int, int, int]:  # fmt: skip
    """Cells of a bead along (ux, uy): `length`, `half` to each side and `end` beyond its ends, all in cells.

    Returns how many cells and columns of cells there are, and the first column. Parts outside the grid, or for which
    `bead` has no room, are left out.
    """
    cells, covers, alongs, ends = bead.cells, bead.covers, bead.alongs, bead.ends
    turn = direction_of(ux, uy)
    # What lies between two parallel edges is one half plane without another.
    aside, ahead = table[(turn + 64) & 255], table[turn]
    level = abs(ux) >= abs(uy)
    # p runs along the axis nearer to the bead, q along the other one.
    if level:
        p0, q0, up, uq, most_p, most_q = x0, y0, ux, uy, columns, rows
    else:
        p0, q0, up, uq, most_p, most_q = y0, x0, uy, ux, rows, columns
    tile_columns = columns >> 3
    sx, sy = PER_CELL * ux, PER_CELL * uy
    middle = STEPS // 2 + 0.5
    reach, till = PER_CELL * half + middle, PER_CELL * (length + end) + middle
    width, whole = 2.0 * PER_CELL * half, PER_CELL * (length + 2.0 * end)
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
    room, n = cells.size, 0
    wanted = max(0, min(high_p - low_p + 1, ends.size))
    start = p
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
        side_on, front = reach - across, till - along
        for q in range(first, last + 1):
            word = (
                aside[np.uint64(min(max(int(side_on), 0), STEPS - 1))]
                & ~aside[np.uint64(min(max(int(side_on - width), 0), STEPS - 1))]
                & ahead[np.uint64(min(max(int(front), 0), STEPS - 1))]
                & ~ahead[np.uint64(min(max(int(front - whole), 0), STEPS - 1))]
            )
            place = till - front
            side_on -= side
            front -= on
            if word == NONE or n == room:
                continue
            at = np.uint64(n)
            off = ((q >> 3) * tile_columns << 6) + ((q & 7) << 3) if level else ((q >> 3) << 6) + (q & 7)
            cells[at], covers[at], alongs[at] = base + off, word, place * (1.0 / PER_CELL)
            n += 1
        p += step
        ends[m] = n
    return n, wanted, start


@kernel
def cover_bead(
    table: Words, job: Floats, x0: float, y0: float, x1: float, y1: float, length: float, width: float, bead: Covered
) -> tuple[int, int, int]:
    """The same for a bead between two places of the bed, all in mm. job: the numbers that describe one (bed.py)."""
    per_mm, per_length = job[PER_MM], 1.0 / length
    half = 0.5 * width * per_mm
    return cover_strip(
        table, int(job[COLUMNS]), int(job[ROWS]), (x0 - job[X_LOW]) * per_mm, (y0 - job[Y_LOW]) * per_mm,
        (x1 - x0) * per_length, (y1 - y0) * per_length, length * per_mm, half, ROUND_END * half, bead,
    )  # fmt: skip
