"""What stands in the way of one travel: heights under the swept flat of the nozzle, along the travel.

In: the terrain (cells.py) and straight stretches of the travel. Out: at even places along the travel the height that
the nozzle has to pass, and whether the job's own path, and the same path without its own lift, strike anything.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from liftwright.kernels import inlined, kernel
from liftwright.plan.bed import COLUMNS, PART, PER_MM, ROWS, X_LOW, Y_LOW, Bed
from liftwright.plan.cells import (
    ALL,
    ALL_SQUARES,
    BELOW,
    C_BELOW,
    C_TOP,
    NONE,
    ONE,
    OWN,
    OWN_SQUARES,
    OWNER,
    TALL,
    TOP,
    Z_BELOW,
    Z_TOP,
    Floats,
    Singles,
    squares_in,
    squares_over,
)
from liftwright.plan.raster import TILE, Index, Words, lowest_bit, over, row_range
from liftwright.plan.string import NOTHING

# Slots of `way`: what is asked of one travel, then what was found.
W_Z0, W_Z1, W_LENGTH, W_LOW, W_PATH, W_NEXT, W_NEXT_X, W_NEXT_Y, W_NEXT_UX, W_NEXT_UY, W_NEXT_HALF = range(11)
W_HURRY, W_STRUCK, W_STRUCK_FLAT, W_TALLEST, W_FROM, W_TILL = range(11, 17)
WAY_SIZE = 17

THREE, SEVEN, LOW_SEVEN = np.uint64(3), np.uint64(7), np.uint64(127)
WAIVED = 1.2  # mm at both ends of a travel where the material of the path just left, or about to begin, is no obstacle


class Sweep(NamedTuple):
    """Arrays of the question, and numbers that hold for all travels of a job."""

    way: Floats
    need: Floats  # height to pass at k·spacing; NOTHING outside the places from W_FROM up to W_TILL
    radius: float  # mm, of the nozzle's flat with its margin, or of the head
    above: float  # mm from the nozzle's tip up to what has this radius
    threshold: float  # mm above the nozzle from which a curled edge is an obstacle: its height is in doubt
    strike: float  # mm above the nozzle from which anything else is one, and from which the nozzle strikes
    clearance: float  # mm kept above what is certain
    over_doubt: float  # mm kept above a height that an allowance is part of


class Stretch(NamedTuple):
    """One straight stretch of a travel, in mm."""

    s: float  # where along the travel it begins
    scale: float  # mm of the travel per mm of the stretch: chords of an arc are shorter
    z: float  # the job's own height at its beginning
    rise: float  # and how it rises per mm
    x: float
    y: float
    ux: float
    uy: float
    length: float
    per_place: float  # places of `need` per mm of the travel


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
    on = Stretch(s0, (s1 - s0) / length, z0, (z1 - z0) / length, x0, y0, ux, uy, length, 1.0 / spacing)
    for row in range(max(0, int(np.floor(ya))), min(tile_rows - 1, int(np.floor(yb))) + 1):
        left, right = row_range(tx, ty, ux, uy, over(uy), -wide, long + wide, wide, row)
        for column in range(max(left, 0), min(right, tile_columns - 1) + 1):
            tile = row * tile_columns + column
            if way[W_HURRY] > 0.0 and way[W_STRUCK] > 0.0:
                return
            high = ALL if bed.tops[tile] > limit else bed.curled[tile] if bed.tiles[tile] > limit else NONE
            if high != NONE:
                sweep_tile(bed, q, on, tile, row, column, high, limit)


@kernel
def sweep_tile(
    bed: Bed, q: Sweep, on: Stretch, tile: int, row: int, column: int, high: np.uint64, limit: float
) -> None:
    """Those of the cells `high` (bit k for cell k) of one tile that stand higher than `limit` under the sweep."""
    job, words, singles, part = bed.job, bed.words, bed.singles, bed.job[PART]
    cell = 1.0 / job[PER_MM]
    reach = q.radius + 0.7072 * cell
    xa = job[X_LOW] + (column * TILE + 0.5) * cell - on.x
    ya = job[Y_LOW] + (row * TILE + 0.5) * cell - on.y
    path = np.uint64(int(q.way[W_PATH]) + 1)
    while high != NONE:
        k = np.int64(lowest_bit(high))
        high &= high - ONE
        # Where a cell lies is asked first: its record may have to come from far.
        dx, dy = xa + (k & 7) * cell, ya + (k >> 3) * cell
        along, across = on.ux * dx + on.uy * dy, on.ux * dy - on.uy * dx
        if abs(across) > reach or along < -reach or along > on.length + reach:
            continue
        i = (tile << 6) + k
        standing = high_squares(words, singles, i, part, limit)
        if standing == NONE:
            continue
        laid, whole = standing & squares_in(words[i, TOP]), float(singles[i, Z_TOP]) > limit + TALL
        mine = words[i, OWNER] >> OWN == path
        for rest in range(2):
            if rest == 0:
                squares, base, a, b = laid, singles[i, Z_TOP], words[i, C_TOP], words[i, C_TOP + 1]
                own = words[i, OWNER] & OWN_SQUARES if mine else NONE
            elif whole:
                squares, base, a, b = standing & ~laid, singles[i, Z_TOP], NONE, NONE
                own = ALL_SQUARES if mine else NONE
            else:
                squares, base, a, b = standing & ~laid, singles[i, Z_BELOW], words[i, C_BELOW], words[i, C_BELOW + 1]
                own = NONE
            pass_squares(q, on, squares, own, float(base), a, b, part, cell, along, across)


@inlined
def pass_squares(
    q: Sweep, on: Stretch, squares: np.uint64, own: np.uint64, base: float, low: np.uint64, high: np.uint64,
    part: float, cell: float, along: float, across: float,
) -> None:  # fmt: skip
    """Squares of one cell, `along` the stretch and `across` it: where the flat covers them, they count.

    own: those of the path just left. base: mm; low, high: allowances upon it, in parts, as bytes.
    """
    way = q.way
    # From `after` on the path just left is an obstacle, too; from `until` on what the next one will cover is none.
    after, until = (WAIVED - on.s) / on.scale, on.length
    if way[W_NEXT] > 0.0 and way[W_LENGTH] - on.s - on.scale * on.length < WAIVED:
        until = (way[W_LENGTH] - WAIVED - on.s) / on.scale
    step_x, step_y = 0.25 * cell * on.ux, 0.25 * cell * on.uy
    along -= 1.5 * (step_x + step_y)
    across -= 1.5 * (step_x - step_y)
    # Squares of one height count as one: a concave path over both ends of a stretch passes all of it.
    c, height, first, last, to = ALL, 0.0, 0.0, -1.0, 0.0
    while squares != NONE:
        square = lowest_bit(squares)
        squares &= squares - ONE
        here = ((high if square > SEVEN else low) >> ((square & SEVEN) << THREE)) & LOW_SEVEN
        if here != c:
            if first <= last:
                note(q, on, first, last, height, c != NONE)
            c, height, first, last = here, base + float(here) * part - q.above, on.length, 0.0
            to = until if height <= way[W_Z1] + TALL else on.length
        x, y = float(square & np.uint64(3)), float(square >> np.uint64(2))
        s, d = along + step_x * x + step_y * y, across + step_x * y - step_y * x
        under = q.radius * q.radius - d * d
        if under < 0.0:
            continue
        half = np.sqrt(under)
        begin, end = max(0.0, s - half), min(on.length, s + half)
        if (own >> square) & ONE != NONE:
            begin = max(begin, after)
        if end > to and under_next(way, on.x + on.ux * s - on.uy * d, on.y + on.uy * s + on.ux * d):
            end = to
        if begin <= end:
            first, last = min(first, begin), max(last, end)
    if first <= last:
        note(q, on, first, last, height, c != NONE)


@kernel
def high_squares(words: Words, singles: Singles, i: Index, part: float, limit: float) -> np.uint64:
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
def under_next(way: Floats, x: float, y: float) -> bool:
    """Whether a place lies where the next bead begins."""
    dx, dy = x - way[W_NEXT_X], y - way[W_NEXT_Y]
    along = way[W_NEXT_UX] * dx + way[W_NEXT_UY] * dy
    off = abs(way[W_NEXT_UX] * dy - way[W_NEXT_UY] * dx)
    return bool(off <= way[W_NEXT_HALF] and -way[W_NEXT_HALF] <= along <= WAIVED)


@kernel
def note(q: Sweep, on: Stretch, a: float, b: float, height: float, in_doubt: bool) -> None:
    """Something of that height stands from a to b along the stretch."""
    sa, sb, za, zb = on.s + a * on.scale, on.s + b * on.scale, on.z + on.rise * a, on.z + on.rise * b
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
        first, last = int(sa * on.per_place), int(np.ceil(sb * on.per_place))
        pass_at = height + (q.over_doubt if in_doubt else q.clearance)
        q.need[first] = max(q.need[first], pass_at)
        q.need[last] = max(q.need[last], pass_at)
        way[W_FROM] = min(way[W_FROM], first) if way[W_TILL] > 0.0 else first
        way[W_TILL] = max(way[W_TILL], last + 1)


@kernel
def forget(q: Sweep) -> None:
    """Make ready for the next travel: nothing is asked, nothing found."""
    for k in range(int(q.way[W_FROM]), int(q.way[W_TILL])):
        q.need[k] = NOTHING
    q.way[:] = 0.0
