"""Beads laid one after another along a path: which stretches hang over, which of them are bridges, which may curl.

A path is a run of beads without a gap. A bead that isn't carried from end to end is judged in bins of about a nozzle's
width. The allowance of a stretch that hangs over is written only when the path reaches carried ground again or ends,
because a stretch that hangs free between two carried ends is a bridge and gets none. Everything that outlives a call
stands in `state` and `pieces`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from liftwright.kernels import inlined, kernel
from liftwright.plan.bins import (
    B_COVERED,
    B_CURL,
    B_FREE,
    B_WRITE,
    MOST_BINS,
    fill_bins,
    quarters_in,
    set_offsets,
    settle,
    write_bins,
)
from liftwright.plan.cells import LEAST, NONE, PARTS, Cells, Floats, Singles, beneath_strip, raise_curl
from liftwright.plan.covering import (
    BESIDE,
    COLUMNS,
    DECAY,
    GAIN,
    ONSET,
    PART,
    PER_MM,
    PIECE,
    ROUND_END,
    ROWS,
    X_LOW,
    Y_LOW,
    Covered,
    Strips,
    cover_bead,
)
from liftwright.plan.laying import (
    S_COVERED,
    S_CURL,
    S_FREE,
    S_MOST,
    S_UNDER,
    lay_cells,
)
from liftwright.plan.raster import SAMPLES, Integers, Words

# Numbers that change along the job, in `state`.
PATH, OPEN, X_END, Y_END, Z_END, CARRIED, RUN_END, LAYER_Z, LAYER_H, LOCAL_H = range(10)
STALE_LENGTH, STALE_BEADS, RESTARTS, USUAL_WIDTH = range(10, 14)
CURLED = 14  # mm of beads that were given an allowance
STATE_SIZE = 15
# Columns of a stretch that waits: one past its last cell in `waiting`; half width in cells; z, h in mm; allowance in
# parts; share; length in mm.
P_CELLS, P_HALF, P_Z, P_H, P_C, P_SHARE, P_LENGTH = range(7)
PIECE_SIZE = 7
PIECES = 8192
WAITING = 1 << 16  # cells of stretches that wait

FULLY_FREE = 0.9  # unsupported share from which a piece counts as hanging free: the samples at its edges leave doubt
RAMP_WIDTHS = 2.0  # bead widths in which a bridge leaves the ground, or reaches it
STRETCH_BINS = 3  # bins that wait together at most; they get one allowance, that of their mean share


class Bed(NamedTuple):
    """All arrays of one job's terrain, as the kernels see them."""

    words: Words  # (cells, 8), see cells.py; cells of a tile side by side
    singles: Singles  # (cells, 16), the same memory
    tops: Singles  # greatest printed height in each tile, mm
    tiles: Singles  # the same with allowance, of the cells that have one
    curled: Words  # those of each tile's cells that have one
    table: Words  # words of half planes, raster.py
    job: Floats
    state: Floats
    pieces: Floats
    room: Covered  # for one bead
    bares: Words  # samples of its cells that hang free
    sums: Integers  # of one bead, see laying.py
    bins: Integers  # its bins, see bins.py
    offsets: Floats
    waiting: Cells  # cells of the stretches that wait, and their words
    waiting_covers: Words
    again: Floats  # (n, 7) beads of the stretch that may prove the terrain stale: ends, z, h, width


@inlined
def lay_bead(
    bed: Bed, strips: Strips, row: int, x0: float, y0: float, x1: float, y1: float, length_mm: float, z: float,
    h: float, width: float,
) -> None:  # fmt: skip
    """Lay one straight level bead (mm) at the end of the open path; a bead that does not join it begins a new one.

    row: that of the strips with which the bead was covered before, or -1.
    """
    job, state = bed.job, bed.state
    begin = begin_column = 0
    room = bed.room
    if row >= 0:
        room, column = strips.beads, strips.column[row]
        begin, stop, begin_column, stop_column = (
            strips.at[row], strips.at[row + 1], strips.columns_at[row], strips.columns_at[row + 1]
        )  # fmt: skip
    else:
        stop, stop_column, column = cover_bead(bed.table, job, x0, y0, x1, y1, length_mm, width, room)
    bead = Covered(
        room.cells[begin:stop], room.covers[begin:stop], room.alongs[begin:stop], room.ends[begin_column:stop_column]
    )
    lay_cells(bed.words, bed.singles, bed.tops, bed.curled, bead.cells, bead.covers, z, h, bed.bares, bed.sums)
    sums = bed.sums
    if 2 * sums[S_UNDER] > sums[S_COVERED]:
        m = int(state[STALE_BEADS])
        if m < bed.again.shape[0]:
            again = bed.again[m]
            again[0], again[1], again[2], again[3], again[4], again[5], again[6] = x0, y0, x1, y1, z, h, width
            state[STALE_BEADS] += 1.0
        state[STALE_LENGTH] += length_mm
    else:
        state[STALE_LENGTH] = state[STALE_BEADS] = 0.0
    piece, per_mm = job[PIECE], job[PER_MM]
    half = 0.5 * width * per_mm
    window = min(float(sums[S_COVERED]), half * piece * per_mm * SAMPLES)
    carried = sums[S_FREE] <= job[ONSET] * window or (sums[S_MOST] <= 4 and length_mm > piece)
    if carried:
        if sums[S_CURL] != 0:
            settle(
                bed.words, bed.singles, bed.tiles, bed.curled, bead.cells, bead.covers, bead.ends, z, h,
                job[DECAY], job[PART], int(state[PATH]) + 1,
            )  # fmt: skip
        if state[RUN_END] > 0.0:
            meet_carried(bed)
        state[CARRIED] = 1.0
        return
    # Bin by bin: a bin that is carried passes on what is left beneath it, one that isn't waits for its fate.
    count = max(1, min(int(length_mm / piece + 0.5), MOST_BINS))
    length, end = length_mm * per_mm, ROUND_END * half
    ax, ay = (x0 - job[X_LOW]) * per_mm, (y0 - job[Y_LOW]) * per_mm
    ux, uy = (x1 - x0) / length_mm, (y1 - y0) / length_mm
    per_bin = count / length
    bins, offsets = bed.bins, bed.offsets
    set_offsets(ux, uy, per_bin, offsets)
    fill_bins(
        bed.words, bed.singles, bead.cells, bead.covers, bed.bares, bead.alongs, z, h, per_bin, count, offsets, bins
    )
    left, b = 0, 0
    while b < count:
        share = share_of(bins, b)
        if share <= job[ONSET]:
            c = int(job[DECAY] * bins[B_CURL, b])
            if c >= LEAST:
                bins[B_WRITE, b] = left = c
            if state[RUN_END] > 0.0:
                meet_carried(bed)
            state[CARRIED] = 1.0
            b += 1
            continue
        free, stop, total = share >= FULLY_FREE, b + 1, share
        # What would be left over at the end goes along.
        most = b + STRETCH_BINS if count - b > 1.5 * STRETCH_BINS else count
        while stop < most:
            share = share_of(bins, stop)
            if share <= job[ONSET] or (share >= FULLY_FREE) != free:
                break
            total += share
            stop += 1
        wait(
            bed, bead, column, ax, ay, ux, uy, length, half, end, per_bin, count, b, stop, z, h, total / (stop - b),
            length_mm * (stop - b) / count,
        )  # fmt: skip
        b = stop
    if left > 0:
        write_bins(
            bed.words, bed.singles, bed.tiles, bed.curled, bead.cells, bead.covers, bead.alongs, z, h, per_bin, count,
            offsets, bins, job[PART], int(state[PATH]) + 1,
        )  # fmt: skip


@kernel
def share_of(bins: Integers, b: int) -> float:
    """Unsupported share of one bin."""
    return float(bins[B_FREE, b] / max(bins[B_COVERED, b], 1))


@kernel
def wait(
    bed: Bed, bead: Covered, column: int, ax: float, ay: float, ux: float, uy: float, length: float, half: float,
    end: float, per_bin: float, count: int, begin: int, stop: int, z: float, h: float, share: float, length_mm: float,
) -> None:  # fmt: skip
    """Let the bins begin..stop of the bead just laid wait for their fate, with the allowance they get if they are no
    bridge."""
    job, state, pieces = bed.job, bed.state, bed.pieces
    low = -end if begin == 0 else begin / per_bin
    high = length + end if stop == count else stop / per_bin
    columns, rows, wide = int(job[COLUMNS]), int(job[ROWS]), half + job[BESIDE] * job[PER_MM]
    # As far around as an edge can stand from which this one grows on, on every side.
    beneath = beneath_strip(
        bed.words, bed.singles, bed.curled, columns, rows, ax, ay, ux, uy, low - half, high + half, wide, z, h
    )  # fmt: skip
    grown = job[GAIN] * h * (share - job[ONSET]) / (1.0 - job[ONSET])
    c = min(float(PARTS), np.ceil(beneath + grown / job[PART]))
    if c < LEAST:
        c = 0.0
    m = int(state[RUN_END])
    at = int(pieces[m - 1, P_CELLS]) if m > 0 else 0
    if m == pieces.shape[0] or at + bead.cells.size > bed.waiting.size:
        # Longer than any bridge: let go of what waits.
        write_run(bed, m, False)
        state[CARRIED] = 0.0
        m = at = 0
    if c > 0.0:
        # The whole bead, or the columns of its cells that those bins can reach.
        everything = begin == 0 and stop == count
        first, last = 0, bead.ends.size
        if not everything:
            p0, up, aside = (ax, abs(ux), half * abs(uy)) if abs(ux) >= abs(uy) else (ay, abs(uy), half * abs(ux))
            before = abs(p0 - column - 0.5)
            first = max(first, int(up * low - aside - before) - 2)
            last = min(last, int(up * high + aside + before) + 4)
        ends = bead.ends
        for k in range(ends[first - 1] if first > 0 else 0, ends[last - 1] if last > 0 else 0):
            if everything:
                bed.waiting[at], bed.waiting_covers[at] = bead.cells[k], bead.covers[k]
                at += 1
                continue
            mask = bead.covers[k] & quarters_in(bead.alongs[k] * per_bin, begin, stop, count, bed.offsets)
            if mask != NONE:
                bed.waiting[at], bed.waiting_covers[at] = bead.cells[k], mask
                at += 1
    pieces[m, P_CELLS], pieces[m, P_HALF] = at, half
    pieces[m, P_Z], pieces[m, P_H], pieces[m, P_C] = z, h, c
    pieces[m, P_SHARE], pieces[m, P_LENGTH] = share, length_mm
    state[RUN_END] = m + 1.0


@kernel
def meet_carried(bed: Bed) -> None:
    """The path reaches carried ground: a waiting run now has both its ends, unless the path began with it."""
    state = bed.state
    write_run(bed, int(state[RUN_END]), state[CARRIED] == 1.0)
    state[RUN_END] = 0.0


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
    """Write the allowance of one waiting stretch."""
    pieces = bed.pieces
    if pieces[k, P_C] == 0.0:
        return
    first = int(pieces[k - 1, P_CELLS]) if k > 0 else 0
    raise_curl(
        bed.words, bed.singles, bed.tiles, bed.curled, bed.waiting, bed.waiting_covers, first,
        int(pieces[k, P_CELLS]), pieces[k, P_Z], pieces[k, P_H], int(pieces[k, P_C]), bed.job[PART],
        int(bed.state[PATH]) + 1,
    )  # fmt: skip
    bed.state[CURLED] += pieces[k, P_LENGTH]
