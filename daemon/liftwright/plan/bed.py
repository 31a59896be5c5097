"""The arrays of one job's terrain, as the kernels see them, and what stands in which slot of them."""

from __future__ import annotations

from typing import NamedTuple

from liftwright.plan.cells import Cells, Floats, Singles
from liftwright.plan.raster import Integers, Words

# Numbers that describe one job, in `job`.
X_LOW, Y_LOW, PER_MM, COLUMNS, ROWS, NOZZLE, ONSET, GAIN, PART, DECAY, FILAMENT, PIECE, BESIDE, SURE = range(14)
JOB_SIZE = 14
# Numbers that change along the job, in `state`.
PATH, OPEN, X_END, Y_END, Z_END, CARRIED, RUN_END, LAYER_Z, LAYER_H, LOCAL_H = range(10)
STALE_LENGTH, STALE_BEADS, RESTARTS, USUAL_WIDTH = range(10, 14)
CURLED = 14  # mm of beads that were given an allowance
STATE_SIZE = 15


class Covered(NamedTuple):
    """Cells of one bead, or room for them."""

    cells: Cells
    covers: Words  # samples that the bead covers in each
    alongs: Singles  # places of their middles along the bead, in cells
    ends: Cells  # one past the last cell of each column


class Strips(NamedTuple):
    """Beads of one window that were covered before their turn: that of row i has the cells at[i] to at[i + 1] - 1, in
    columns whose ends are columns_at[i] to columns_at[i + 1] - 1. A row without cells wasn't covered."""

    at: Integers
    columns_at: Integers
    column: Integers  # the first one of each row's bead
    width: Floats  # mm, with which it was covered
    beads: Covered


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
