"""Stretches of beads that hang over and wait for their fate: a bridge gets no allowance, anything else gets its own.

In: bins of the bead just laid, and what the path reaches. Out: allowances on the bed. A stretch that hangs free between
two carried ends of one path is a bridge; what begins or ends in the air is none.
"""

from __future__ import annotations

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.bed import (
    BESIDE,
    CARRIED,
    COLUMNS,
    CURLED,
    GAIN,
    ONSET,
    OPEN,
    PART,
    PATH,
    PER_MM,
    ROWS,
    RUN_END,
    Bed,
    Covered,
)
from liftwright.plan.bins import quarters_in
from liftwright.plan.cells import LEAST, NONE, PARTS, beneath_strip, raise_curl

# Columns of a stretch that waits: one past its last cell in `waiting`; half width in cells; z, h in mm; allowance in
# parts; share; length in mm.
P_CELLS, P_HALF, P_Z, P_H, P_C, P_SHARE, P_LENGTH = range(7)
PIECE_SIZE = 7
PIECES = 8192
WAITING = 1 << 16  # cells of stretches that wait

# Unsupported share from which a piece counts as hanging free: the samples at its edges leave doubt.
FULLY_FREE = 0.9
RAMP_WIDTHS = 2.0  # bead widths in which a bridge leaves the ground, or reaches it


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
