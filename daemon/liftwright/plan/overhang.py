"""One bead of a path laid on the bed, and what becomes of it: what is carried passes on the allowance beneath it, what
hangs over waits (waiting.py).

A path is a run of beads without a gap. A bead that isn't carried from end to end is judged in bins of about a nozzle's
width. Everything that outlives a call stands in `state` and `pieces`.
"""

from __future__ import annotations

from liftwright.kernels import inlined, kernel
from liftwright.plan.bed import (
    CARRIED,
    DECAY,
    ONSET,
    PART,
    PATH,
    PER_MM,
    PIECE,
    RUN_END,
    STALE_BEADS,
    STALE_LENGTH,
    SURE,
    X_LOW,
    Y_LOW,
    Bed,
    Covered,
    Strips,
)
from liftwright.plan.bins import (
    B_COVERED,
    B_CURL,
    B_FREE,
    B_WRITE,
    MOST_BINS,
    fill_bins,
    set_offsets,
    settle,
    write_bins,
)
from liftwright.plan.cells import LEAST
from liftwright.plan.covering import ROUND_END, cover_bead
from liftwright.plan.laying import (
    S_COVERED,
    S_CURL,
    S_FREE,
    S_MOST,
    S_UNDER,
    lay_cells,
)
from liftwright.plan.raster import SAMPLES, Integers
from liftwright.plan.waiting import FULLY_FREE, meet_carried, wait

STRETCH_BINS = 3  # bins that wait together at most; they get one allowance, that of their mean share


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
    # Where something curls beneath, it decays only if the bead is surely carried.
    surely = job[SURE] if sums[S_CURL] != 0 else job[ONSET]
    carried = sums[S_FREE] <= surely * window or (sums[S_MOST] <= 4 and length_mm > piece)
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
            c = int(job[DECAY] * bins[B_CURL, b]) if share <= job[SURE] else bins[B_CURL, b]
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
