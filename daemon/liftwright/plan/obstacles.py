"""What stands in the way of one travel: heights under the swept flat of the nozzle, along the travel.

In: the terrain (cells.py) and straight stretches of the travel. Out: at even places along the travel the height that
the nozzle has to pass, and whether the job's own path, and the same path without its own lift, strike anything.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.cells import (
    ALL_SQUARES,
    BELOW,
    C_BELOW,
    C_TOP,
    FIFTEEN,
    NONE,
    OWN,
    OWNER,
    TALL,
    TOP,
    Z_BELOW,
    Z_TOP,
    Floats,
    Singles,
    owns,
    square_height,
    squares_in,
    squares_over,
)
from liftwright.plan.overhang import COLUMNS, PART, PER_MM, ROWS, X_LOW, Y_LOW, Bed
from liftwright.plan.raster import TILE, Words, lowest_bit, over, row_range
from liftwright.plan.string import NOTHING

# Slots of `way`: what is asked of one travel, then what was found.
W_Z0, W_Z1, W_LENGTH, W_LOW, W_PATH, W_NEXT, W_NEXT_X, W_NEXT_Y, W_NEXT_UX, W_NEXT_UY, W_NEXT_HALF = range(11)
W_HURRY, W_STRUCK, W_STRUCK_FLAT, W_TALLEST = range(11, 15)
WAY_SIZE = 16

WAIVED = 1.2  # mm at both ends of a travel where the material of the path just left, or about to begin, is no obstacle


class Sweep(NamedTuple):
    """Arrays of the question, and numbers that hold for all travels of a job."""

    way: Floats
    need: Floats  # height to pass at k·spacing, NOTHING where there is none
    radius: float  # mm, of the nozzle's flat with its margin, or of the head
    above: float  # mm from the nozzle's tip up to what has this radius
    threshold: float  # mm above the nozzle from which a curled edge is an obstacle: its height is in doubt
    strike: float  # mm above the nozzle from which anything else is one, and from which the nozzle strikes
    clearance: float  # mm kept above what is certain
    over_doubt: float  # mm kept above a height that an allowance is part of


@kernel
def sweep(bed: Bed, q: Sweep, spacing: float, s0: float, s1: float, x0: float, y0: float, z0: float,
          x1: float, y1: float, z1: float) -> None:  # fmt: skip
    """Add what lies under one straight stretch, from s0 to s1 along the travel (mm), z the job's own heights."""
    job, way = bed.job, q.way
    per_mm, columns = job[PER_MM], int(job[COLUMNS])
    length = np.hypot(x1 - x0, y1 - y0)
    if length < 1e-9:
        return
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    scale = per_mm / TILE
    tx, ty = (x0 - job[X_LOW]) * scale, (y0 - job[Y_LOW]) * scale
    wide, long = q.radius * scale, length * scale
    tile_columns, tile_rows = columns // TILE, int(job[ROWS]) // TILE
    ya, yb = min(ty, ty + uy * long) - wide, max(ty, ty + uy * long) + wide
    limit = way[W_LOW] + q.threshold + q.above
    for row in range(max(0, int(np.floor(ya))), min(tile_rows - 1, int(np.floor(yb))) + 1):
        left, right = row_range(tx, ty, ux, uy, over(uy), -wide, long + wide, wide, row)
        for column in range(max(left, 0), min(right, tile_columns - 1) + 1):
            tile = row * tile_columns + column
            if way[W_HURRY] > 0.0 and way[W_STRUCK] > 0.0:
                return
            if bed.tiles[tile] > limit:
                sweep_tile(bed, q, tile, row, column, limit, spacing, s0, s1, z0, z1,
                           x0, y0, ux, uy, length)  # fmt: skip


@kernel
def sweep_tile(bed: Bed, q: Sweep, tile: int, row: int, column: int, limit: float, spacing: float,
               s0: float, s1: float, z0: float, z1: float, x0: float, y0: float,
               ux: float, uy: float, length: float) -> None:  # fmt: skip
    """The cells of one tile that are high enough to matter and lie under the sweep."""
    job, words, singles = bed.job, bed.words, bed.singles
    cell = 1.0 / job[PER_MM]
    reach = q.radius + 0.7072 * cell
    xa = job[X_LOW] + (column * TILE + 0.5) * cell - x0
    ya = job[Y_LOW] + (row * TILE + 0.5) * cell - y0
    path = int(q.way[W_PATH]) + 1
    for k in range(TILE * TILE):
        # Where a cell lies is asked first: its record may have to come from far.
        dx, dy = xa + (k & 7) * cell, ya + (k >> 3) * cell
        along, across = ux * dx + uy * dy, ux * dy - uy * dx
        if abs(across) > reach or along < -reach or along > length + reach:
            continue
        i = (tile << 6) + k
        standing = high_squares(words, singles, i, job[PART], limit)
        if standing == NONE:
            continue
        top = float(singles[i, Z_TOP])
        while standing != NONE:
            square = np.int64(lowest_bit(standing))
            standing &= standing - np.uint64(1)
            height, c = square_height(words, singles, i, square, job[PART], limit)
            if (words[i, TOP] >> np.uint64(4 * square)) & FIFTEEN != NONE:
                own = owns(words, i, square, path)
            else:
                own = top > limit + TALL and words[i, OWNER] >> OWN == np.uint64(path)
            px, py = (0.25 * (square & 3) - 0.375) * cell, (0.25 * (square >> 2) - 0.375) * cell
            pass_square(q, height - q.above, own, c > 0.0, along + ux * px + uy * py, across + ux * py - uy * px,
                        spacing, s0, s1, z0, z1, x0, y0, ux, uy, length)  # fmt: skip


@kernel
def high_squares(words: Words, singles: Singles, i: int, part: float, limit: float) -> np.uint64:
    """The squares of cell i that stand higher than `limit` (mm), allowance included: bit k for square k."""
    top, below = float(singles[i, Z_TOP]), float(singles[i, Z_BELOW])
    if top > limit + TALL:
        # What was pushed out of the record may have covered the rest of the cell.
        return ALL_SQUARES
    laid = squares_in(words[i, TOP])
    found = laid
    if top <= limit:
        found &= squares_over(words[i, C_TOP], words[i, C_TOP + 1], (limit - top) / part)
    # An edge that curled and that the layer above, drawn in, has left bare.
    edge = squares_in(words[i, BELOW]) & ~laid
    if edge != NONE:
        if below <= limit:
            edge &= squares_over(words[i, C_BELOW], words[i, C_BELOW + 1], (limit - below) / part)
        found |= edge
    return found


@kernel
def pass_square(q: Sweep, height: float, own: bool, in_doubt: bool, along: float, across: float, spacing: float,
                s0: float, s1: float, z0: float, z1: float, x0: float, y0: float,
                ux: float, uy: float, length: float) -> None:  # fmt: skip
    """Something of that height, `along` the stretch and `across` it (mm): where the flat covers it, it counts."""
    way = q.way
    rest = q.radius * q.radius - across * across
    if rest < 0.0:
        return
    half = np.sqrt(rest)
    a, b = max(0.0, along - half), min(length, along + half)
    if a > b:
        return
    scale, rise, total = (s1 - s0) / length, (z1 - z0) / length, way[W_LENGTH]
    if own:
        a = max(a, (WAIVED - s0) / scale)
    near_end = way[W_NEXT] > 0.0 and total - s1 < WAIVED and height <= way[W_Z1] + TALL
    if near_end and under_next(way, x0 + ux * along - uy * across, y0 + uy * along + ux * across):
        b = min(b, (total - WAIVED - s0) / scale)
    if a <= b:
        note(q, s0 + a * scale, s0 + b * scale, z0 + rise * a, z0 + rise * b, height, in_doubt, spacing)


@kernel
def under_next(way: Floats, x: float, y: float) -> bool:
    """Whether a place lies where the next bead begins."""
    dx, dy = x - way[W_NEXT_X], y - way[W_NEXT_Y]
    along = way[W_NEXT_UX] * dx + way[W_NEXT_UY] * dy
    off = abs(way[W_NEXT_UX] * dy - way[W_NEXT_UY] * dx)
    return bool(off <= way[W_NEXT_HALF] and -way[W_NEXT_HALF] <= along <= WAIVED)


@kernel
def note(
    q: Sweep, sa: float, sb: float, za: float, zb: float, height: float, in_doubt: bool, spacing: float
) -> None:
    """Something of that height from sa to sb along the travel, where the job's own path goes from za to zb."""
    way = q.way
    z0, z1, total = way[W_Z0], way[W_Z1], way[W_LENGTH]
    top = max(z0, z1)
    over = height - (q.threshold if in_doubt else q.strike)
    if height - q.strike > min(za, zb):
        way[W_STRUCK] = 1.0
    if over > min(za, zb, top):
        way[W_STRUCK_FLAT] = 1.0
        way[W_TALLEST] = max(way[W_TALLEST], height - top)
    # A concave path may pass as low as the straight line between the ends.
    if over > z0 + (z1 - z0) * min(sa / total if z1 > z0 else sb / total, 1.0):
        first, last = int(sa / spacing), int(np.ceil(sb / spacing))
        pass_at = height + (q.over_doubt if in_doubt else q.clearance)
        q.need[first] = max(q.need[first], pass_at)
        q.need[last] = max(q.need[last], pass_at)


@kernel
def clear_need(need: Floats, n: int) -> None:
    """Forget the travel before."""
    for k in range(n):
        need[k] = NOTHING
