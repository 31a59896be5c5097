"""Beads laid one after another along a path: which stretches hang over, which of them are bridges, which may curl.

A path is a run of beads without a gap. It is judged in pieces of about a nozzle's width. The allowance of a piece that
hangs over is written only when the path reaches carried ground again or ends, because a stretch that hangs
free between two carried ends is a bridge and gets none. Everything that outlives a call stands in `state` and `pieces`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.bins import B_CURL, B_FREE, B_WRITE, MOST_BINS, fill_bins, write_bins
from liftwright.plan.cells import (
    COVERED,
    CURL,
    FREE,
    LEAST,
    MOST,
    PARTS,
    UNDER,
    Floats,
    Singles,
    allowance_beneath,
    lay,
    raise_curl,
    settle_curl,
)
from liftwright.plan.raster import SAMPLES, TILE, Integers, Words, cover

# Numbers that describe one job, in `job`.
X_LOW, Y_LOW, PER_MM, COLUMNS, ROWS, NOZZLE, ONSET, GAIN, PART, DECAY, FILAMENT, PIECE, BESIDE = range(13)
JOB_SIZE = 13
# Numbers that change along the job, in `state`.
PATH, OPEN, X_END, Y_END, Z_END, CARRIED, RUN_END = range(7)
LAYER_Z, LAYER_H, LOCAL_H, STALE_LENGTH, STALE_BEADS, RESTARTS, BEADS, OVER_LENGTH, BEAD_LENGTH = range(11, 20)
USUAL_WIDTH = 20
CURLED = 23  # mm of beads that were given an allowance
STATE_SIZE = 24
# Columns of a piece that waits: ends and half width in cells; z, h in mm; allowance in parts; share; length in mm.
P_X0, P_Y0, P_X1, P_Y1, P_HALF, P_Z, P_H, P_C, P_SHARE, P_LENGTH = range(10)
PIECE_SIZE = 10
PIECES = 8192

FULLY_FREE = 0.9  # unsupported share from which a piece counts as hanging free: the samples at its edges leave doubt
RAMP_WIDTHS = 2.0  # bead widths in which a bridge leaves the ground, or reaches it
STRETCH_BINS = 5  # bins that wait together at most; they get one allowance, that of their mean share
# The bead's round end counts as a straight one of the same area: π/4 of half its width.
ROUND_END = 0.7853981633974483


class Bed(NamedTuple):
    """All arrays of one job's terrain, as the kernels see them."""

    words: Words  # (cells, 8), see cells.py; cells of a tile side by side
    singles: Singles  # (cells, 16), the same memory
    owners: Integers  # number of the path that last gave a cell an allowance
    own: Words  # the squares it gave it to, as their lowest samples
    tiles: Singles  # greatest height with allowance in each tile, mm
    table: Words  # words of half planes, raster.py
    job: Floats
    state: Floats
    pieces: Floats
    cells: Integers  # room for the cells of one bead, and their words
    covers: Words
    seen: Floats
    more_cells: Integers  # the same for a piece of a bead
    more_covers: Words
    bins: Integers  # (4, n), see bins.py
    offsets: Floats
    again: Floats  # (n, 7) beads of the stretch that may prove the terrain stale: ends, z, h, width


@kernel
def lay_bead(bed: Bed, x0: float, y0: float, x1: float, y1: float, z: float, h: float, width: float) -> None:
    """Lay one straight level bead (mm) at the end of the open path; a bead that does not join it begins a new one."""
    words, singles, tiles, table = bed.words, bed.singles, bed.tiles, bed.table
    job, state, cells, covers, seen = bed.job, bed.state, bed.cells, bed.covers, bed.seen
    columns, rows, per_mm = int(job[COLUMNS]), int(job[ROWS]), job[PER_MM]
    length_mm = np.hypot(x1 - x0, y1 - y0)
    ax, ay = (x0 - job[X_LOW]) * per_mm, (y0 - job[Y_LOW]) * per_mm
    ux, uy = (x1 - x0) / length_mm, (y1 - y0) / length_mm
    length, half = length_mm * per_mm, 0.5 * width * per_mm
    end = ROUND_END * half
    n = cover(table, columns, rows, ax, ay, ux, uy, -end, length + end, half, cells, covers)
    lay(words, singles, tiles, cells, covers, n, z, h, seen)
    if seen[UNDER] > 0.5 * seen[COVERED]:
        m = int(state[STALE_BEADS])
        if m < bed.again.shape[0]:
            again = bed.again[m]
            again[0], again[1], again[2], again[3], again[4], again[5], again[6] = x0, y0, x1, y1, z, h, width
            state[STALE_BEADS] += 1.0
        state[STALE_LENGTH] += length_mm
    else:
        state[STALE_LENGTH] = state[STALE_BEADS] = 0.0
    state[BEADS] += 1.0
    state[BEAD_LENGTH] += length_mm
    piece = job[PIECE]
    window = min(seen[COVERED], 2.0 * half * piece * per_mm * SAMPLES)
    carried = seen[FREE] <= job[ONSET] * window or (seen[MOST] <= 6.0 and length_mm > piece)
    if carried:
        if seen[CURL] > 0.0:
            settle_curl(
                words, singles, bed.owners, bed.own, tiles, cells, covers, n, z, h, job[DECAY], job[PART],
                int(state[PATH]),
            )  # fmt: skip
        meet_carried(bed)
        return
    # Bin by bin: a bin that is carried passes on what is left beneath it, one that isn't waits for its fate.
    count = max(1, min(int(length_mm / piece + 0.5), MOST_BINS))
    per_bin, tile_columns = count / length, columns // TILE
    bins, offsets = bed.bins, bed.offsets
    fill_bins(
        words, singles, cells, covers, n, tile_columns, ax, ay, ux, uy, z, h, per_bin, count, offsets, bins
    )
    samples, cap = 2.0 * half * length / count * SAMPLES, 2.0 * half * end * SAMPLES
    left, b = 0, 0
    while b < count:
        share = share_of(bins, b, count, samples, cap)
        if share <= job[ONSET]:
            c = int(job[DECAY] * bins[B_CURL, b])
            if c >= LEAST:
                bins[B_WRITE, b] = left = c
            meet_carried(bed)
            b += 1
            continue
        free, stop, total = share >= FULLY_FREE, b + 1, share
        while stop < count and stop < b + STRETCH_BINS:
            share = share_of(bins, stop, count, samples, cap)
            if share <= job[ONSET] or (share >= FULLY_FREE) != free:
                break
            total += share
            stop += 1
        low = -end if b == 0 else b / per_bin
        high = length + end if stop == count else stop / per_bin
        wait(bed, ax, ay, ux, uy, low, high, half, z, h, total / (stop - b), length_mm * (stop - b) / count)
        b = stop
    if left > 0:
        write_bins(
            words, singles, bed.owners, bed.own, tiles, cells, covers, n, tile_columns, ax, ay, ux, uy, z, h,
            per_bin, count, offsets, bins, job[PART], int(state[PATH]),
        )  # fmt: skip


@kernel
def share_of(bins: Integers, b: int, count: int, samples: float, cap: float) -> float:
    """Unsupported share of one bin: of its samples, and those of the round end at the first and the last."""
    whole = samples + (cap if b == 0 else 0.0) + (cap if b == count - 1 else 0.0)
    return float(min(bins[B_FREE, b] / whole, 1.0))


@kernel
def wait(
    bed: Bed, ax: float, ay: float, ux: float, uy: float, low: float, high: float, half: float, z: float, h: float,
    share: float, length: float,
) -> None:  # fmt: skip
    """Let a stretch that hangs over wait for its fate, with the allowance that it gets if it is no bridge."""
    job, state, pieces = bed.job, bed.state, bed.pieces
    columns, rows, wide = int(job[COLUMNS]), int(job[ROWS]), half + job[BESIDE] * job[PER_MM]
    n = cover(bed.table, columns, rows, ax, ay, ux, uy, low, high, wide, bed.more_cells, bed.more_covers)
    beneath = 0
    for k in range(n):
        i = bed.more_cells[k]
        beneath = max(beneath, allowance_beneath(bed.words, bed.singles, i, bed.more_covers[k], z, h))
    grown = job[GAIN] * h * (share - job[ONSET]) / (1.0 - job[ONSET])
    c = min(float(PARTS), np.ceil(beneath + grown / job[PART]))
    if c < LEAST:
        c = 0.0
    m = int(state[RUN_END])
    if m == pieces.shape[0]:
        # Longer than any bridge: let go of what waits.
        write_run(bed, m, False)
        state[CARRIED] = 0.0
        m = 0
    pieces[m, P_X0], pieces[m, P_Y0] = ax + ux * low, ay + uy * low
    pieces[m, P_X1], pieces[m, P_Y1] = ax + ux * high, ay + uy * high
    pieces[m, P_HALF], pieces[m, P_Z], pieces[m, P_H], pieces[m, P_C] = half, z, h, c
    pieces[m, P_SHARE], pieces[m, P_LENGTH] = share, length
    state[RUN_END] = m + 1.0
    state[OVER_LENGTH] += length


@kernel
def meet_carried(bed: Bed) -> None:
    """The path reaches carried ground: a waiting run now has both its ends, unless the path began with it."""
    state = bed.state
    if state[RUN_END] > 0.0:
        write_run(bed, int(state[RUN_END]), state[CARRIED] == 1.0)
        state[RUN_END] = 0.0
    state[CARRIED] = 1.0


@kernel
def end_path(bed: Bed) -> None:
    """Settle what still waits: it began or ends in the air. That a loop closes doesn't hold it: it was laid loose."""
    state = bed.state
    write_run(bed, int(state[RUN_END]), False)
    state[OPEN] = state[CARRIED] = state[RUN_END] = 0.0
    state[PATH] += 1.0


@kernel
def write_run(bed: Bed, last: int, held: bool) -> None:
    """Write the allowance of the waiting pieces 0..last, unless they are a bridge.

    held: the run is carried at both ends. It is a bridge if it hangs free but for two ramps, where the bead leaves the
    ground slantwise and reaches it again.
    """
    if held and is_bridge(bed, last):
        return
    for k in range(last):
        write_piece(bed, k)


@kernel
def is_bridge(bed: Bed, last: int) -> bool:
    """Whether the waiting pieces 0..last hang free but for the length of two ramps, and most of them does."""
    pieces = bed.pieces
    free = ramps = 0.0
    # Single pieces may seem free, or not, by the chance of the samples: their sums decide.
    for k in range(last):
        if pieces[k, P_SHARE] >= FULLY_FREE:
            free += pieces[k, P_LENGTH]
        else:
            ramps += pieces[k, P_LENGTH]
    width = 2.0 * pieces[0, P_HALF] / bed.job[PER_MM]
    return bool(free >= ramps and ramps <= 2.0 * RAMP_WIDTHS * width)


@kernel
def write_piece(bed: Bed, k: int) -> None:
    """Write the allowance of one waiting piece."""
    job, pieces, cells, covers = bed.job, bed.pieces, bed.more_cells, bed.more_covers
    if pieces[k, P_C] == 0.0:
        return
    x, y = pieces[k, P_X0], pieces[k, P_Y0]
    dx, dy = pieces[k, P_X1] - x, pieces[k, P_Y1] - y
    length = max(np.hypot(dx, dy), 1e-9)
    ux, uy, half = dx / length, dy / length, pieces[k, P_HALF]
    n = cover(bed.table, int(job[COLUMNS]), int(job[ROWS]), x, y, ux, uy, 0.0, length, half, cells, covers)
    z, h, c = pieces[k, P_Z], pieces[k, P_H], int(pieces[k, P_C])
    raise_curl(
        bed.words, bed.singles, bed.owners, bed.own, bed.tiles, cells, covers, n, z, h, c, job[PART],
        int(bed.state[PATH]),
    )  # fmt: skip
    bed.state[CURLED] += pieces[k, P_LENGTH]
