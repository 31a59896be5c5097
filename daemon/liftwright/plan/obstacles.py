"""What stands in the way of one travel: heights under the swept flat of the nozzle, along the travel.

In: the terrain (cells.py) and straight stretches of the travel. Out: at even places along the travel the height that
the nozzle has to pass, and whether the job's own path, and the same path without its own lift, strike anything.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.cells import (
    ALL,
    BELOW,
    C_TOP,
    NONE,
    OWN,
    OWNER,
    TOP,
    TOP_CURL,
    Z_BELOW,
    Z_TOP,
    Floats,
)  # fmt: skip
from liftwright.plan.overhang import COLUMNS, PER_MM, ROWS, X_LOW, Y_LOW, Bed
from liftwright.plan.raster import TILE, lowest_bit, row_range
from liftwright.plan.string import NOTHING

# Slots of `way`: what is asked of one travel, then what was found.
W_Z0, W_Z1, W_LENGTH, W_LOW, W_PATH, W_NEXT, W_NEXT_X, W_NEXT_Y, W_NEXT_UX, W_NEXT_UY, W_NEXT_HALF = range(11)
W_STRUCK, W_STRUCK_FLAT, W_TALLEST, W_FOUND = range(11, 15)
WAY_SIZE = 16

WAIVED = 1.2  # mm at both ends of a travel where the material of the path just left, or about to begin, is no obstacle
TALL = 0.5  # mm; a cell that stands this far above the nozzle counts whole: older layers may have reached farther out


class Sweep(NamedTuple):
    """Arrays of the question, and numbers that hold for all travels of a job."""

    way: Floats
    need: Floats  # height to pass at k·spacing, NOTHING where there is none
    points: Floats  # (64, 2) places of the samples in a cell
    radius: float  # mm, of the nozzle's flat with its margin
    threshold: float  # mm above the nozzle that make an obstacle
    clearance: float  # mm


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
    limit = way[W_LOW] + q.threshold
    for row in range(max(0, int(np.floor(ya))), min(tile_rows - 1, int(np.floor(yb))) + 1):
        left, right = row_range(tx, ty, ux, uy, -wide, long + wide, wide, row)
        for column in range(max(left, 0), min(right, tile_columns - 1) + 1):
            tile = row * tile_columns + column
            if bed.tiles[tile] > limit:
                sweep_tile(bed, q, tile, row, column, limit, spacing, s0, s1, z0, z1,
                           x0, y0, ux, uy, length)  # fmt: skip


@kernel
def sweep_tile(bed: Bed, q: Sweep, tile: int, row: int, column: int, limit: float, spacing: float,
               s0: float, s1: float, z0: float, z1: float, x0: float, y0: float,
               ux: float, uy: float, length: float) -> None:  # fmt: skip
    """The cells of one tile that are high enough to matter and lie under the sweep."""
    job, words, singles, way = bed.job, bed.words, bed.singles, q.way
    cell = 1.0 / job[PER_MM]
    reach = q.radius + 0.7072 * cell
    xa = job[X_LOW] + (column * TILE + 0.5) * cell - x0
    ya = job[Y_LOW] + (row * TILE + 0.5) * cell - y0
    for k in range(TILE * TILE):
        i = (tile << 6) + k
        top, c = singles[i, Z_TOP], singles[i, C_TOP]
        if top + c <= limit:
            continue
        dx, dy = xa + (k & 7) * cell, ya + (k >> 3) * cell
        along, across = ux * dx + uy * dy, ux * dy - uy * dx
        if abs(across) > reach or along < -reach or along > length + reach:
            continue
        own = words[i, OWN] if singles[i, OWNER] == np.float32(way[W_PATH]) else NONE
        if top > limit + TALL:
            # Far above the nozzle: what was pushed out of the record may have covered the rest of the cell.
            group(bed, q, ALL, NONE, top + c, along, across, spacing, s0, s1, z0, z1, x0, y0, ux, uy, length)
            continue
        curled = words[i, TOP_CURL]
        if curled != NONE:
            group(bed, q, curled, own, top + c, along, across, spacing, s0, s1, z0, z1, x0, y0, ux, uy, length)
        if top > limit:
            rest = words[i, TOP] & ~curled
            group(bed, q, rest, own, top, along, across, spacing, s0, s1, z0, z1, x0, y0, ux, uy, length)
            if singles[i, Z_BELOW] > limit:
                rest = words[i, BELOW] & ~words[i, TOP]
                group(bed, q, rest, NONE, singles[i, Z_BELOW], along, across, spacing, s0, s1, z0, z1,
                      x0, y0, ux, uy, length)  # fmt: skip


@kernel
def group(bed: Bed, q: Sweep, word: np.uint64, own: np.uint64, height: float, along: float, across: float,
          spacing: float, s0: float, s1: float, z0: float, z1: float, x0: float, y0: float,
          ux: float, uy: float, length: float) -> None:  # fmt: skip
    """Samples of one height in one cell, whose middle lies `along` the stretch and `across` it (mm)."""
    way = q.way
    cell, total = 1.0 / bed.job[PER_MM], way[W_LENGTH]
    # Where the flat covers own material, where it covers the rest, and what lies where the next bead comes.
    a, b, own_a, own_b, next_a, next_b = 1e9, -1e9, 1e9, -1e9, 1e9, -1e9
    near_end = (
        way[W_NEXT] > 0.0 and height <= way[W_Z1] + TALL and total - s1 < WAIVED + q.radius
    )
    while word != NONE:
        k = lowest_bit(word)
        bit = word & (~word + np.uint64(1))
        word &= ~bit
        px, py = q.points[k, 0] * cell, q.points[k, 1] * cell
        off = across + ux * py - uy * px
        rest = q.radius * q.radius - off * off
        if rest < 0.0:
            continue
        at, half = along + ux * px + uy * py, np.sqrt(rest)
        if at + half < 0.0 or at - half > length:
            continue
        low, high = max(0.0, at - half), min(length, at + half)
        if own & bit:
            own_a, own_b = min(own_a, low), max(own_b, high)
        elif near_end and under_next(way, x0 + ux * at - uy * off, y0 + uy * at + ux * off):
            next_a, next_b = min(next_a, low), max(next_b, high)
        else:
            a, b = min(a, low), max(b, high)
    scale, rise = (s1 - s0) / length, (z1 - z0) / length
    if a <= b:
        note(q, s0 + a * scale, s0 + b * scale, z0 + rise * a, z0 + rise * b, height, spacing)
    if own_a <= own_b and s0 + own_b * scale > WAIVED:
        own_a = max(own_a, (WAIVED - s0) / scale)
        note(q, s0 + own_a * scale, s0 + own_b * scale, z0 + rise * own_a, z0 + rise * own_b, height, spacing)
    if next_a <= next_b and s0 + next_a * scale < total - WAIVED:
        next_b = min(next_b, (total - WAIVED - s0) / scale)
        note(q, s0 + next_a * scale, s0 + next_b * scale, z0 + rise * next_a, z0 + rise * next_b, height, spacing)


@kernel
def under_next(way: Floats, x: float, y: float) -> bool:
    """Whether a place lies where the next bead begins."""
    dx, dy = x - way[W_NEXT_X], y - way[W_NEXT_Y]
    along = way[W_NEXT_UX] * dx + way[W_NEXT_UY] * dy
    off = abs(way[W_NEXT_UX] * dy - way[W_NEXT_UY] * dx)
    return bool(off <= way[W_NEXT_HALF] and -way[W_NEXT_HALF] <= along <= WAIVED)


@kernel
def note(q: Sweep, sa: float, sb: float, za: float, zb: float, height: float, spacing: float) -> None:
    """Something of that height from sa to sb along the travel, where the job's own path goes from za to zb."""
    way = q.way
    z0, z1, total = way[W_Z0], way[W_Z1], way[W_LENGTH]
    top = max(z0, z1)
    over = height - q.threshold
    if over > min(za, zb):
        way[W_STRUCK] = 1.0
    if over > min(za, zb, top):
        way[W_STRUCK_FLAT] = 1.0
        way[W_TALLEST] = max(way[W_TALLEST], height - top)
    # A concave path may pass as low as the straight line between the ends.
    if over > z0 + (z1 - z0) * min(sa / total if z1 > z0 else sb / total, 1.0):
        first, last = int(sa / spacing), int(np.ceil(sb / spacing))
        q.need[first] = max(q.need[first], height + q.clearance)
        q.need[last] = max(q.need[last], height + q.clearance)
        way[W_FOUND] = 1.0


@kernel
def clear_need(need: Floats, n: int) -> None:
    """Forget the travel before."""
    for k in range(n):
        need[k] = NOTHING
