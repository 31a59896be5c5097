"""Which travels strike what is printed: windows of a job and the moves that replace some of its rows go in, counts out.

The terrain judges the moves that leave, whatever shape made them, by the kernel that judges the job's own path. It lays
the beads itself, so it needs a ground of its own.
"""

import numpy as np

from liftwright.job.columns import BEAD, TOOL, TRAVEL, WALL, WIPE
from liftwright.job.moves import Moves
from liftwright.kernels import kernel
from liftwright.plan.beads import Bytes, Rows, close, lay_row, rows_of
from liftwright.plan.bed import PATH, Bed, Strips
from liftwright.plan.beforehand import new_strips
from liftwright.plan.cells import Floats
from liftwright.plan.obstacles import W_LENGTH, W_LOW, W_PATH, W_STRUCK, W_Z0, W_Z1, Sweep, forget, sweep
from liftwright.plan.passing import PLACES, SPACING, Gaps, look_along, measure, next_bead
from liftwright.plan.raster import Integers
from liftwright.plan.terrain import Ground
from liftwright.plan.travels import Travels
from liftwright.plan.walk import Edits


class Strikes:
    """Counts the travels that strike something, as the job came and as it leaves, over all windows of a job."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self.before = self.after = 0

    def add(self, moves: Moves, travels: Travels, edits: Edits) -> tuple[Bytes, Bytes]:
        """Judge one window; returns for each of its travels 1 where it strikes, before and after.

        A travel whose position isn't known, or that goes nowhere, isn't judged: 0.
        """
        before, after = np.zeros(len(travels), np.uint8), np.zeros(len(travels), np.uint8)
        ground = self._ground
        gaps = Gaps(travels.after, travels.first, travels.last, np.zeros(len(travels), np.uint8))
        _judge_window(
            ground.bed, rows_of(moves), new_strips(0), gaps, ground.question(0.0), edits.row, edits.at, edits.x,
            edits.y, edits.z, before, after,
        )  # fmt: skip
        self.before += int(before.sum())
        self.after += int(after.sum())
        return before, after


@kernel
def _judge_window(
    bed: Bed, rows: Rows, strips: Strips, gaps: Gaps, q: Sweep, row: Integers, at: Integers, x: Floats, y: Floats,
    z: Floats, before: Bytes, after: Bytes,
) -> None:  # fmt: skip
    """Go through the rows of one window as the planning pass does (passing.py): beads onto the bed, travels judged."""
    t, e = 0, 0
    for i in range(1, rows.kind.size):
        kind = rows.kind[i]
        if kind == BEAD:
            while t < gaps.after.size and gaps.after[t] <= i:
                close(bed)
                while e < row.size and row[e] < gaps.first[t]:
                    e += 1
                begin = e
                while e < row.size and row[e] < gaps.last[t]:
                    e += 1
                _judge(bed, rows, gaps, q, t, at[begin], at[e], e > begin, x, y, z, before, after)
                t += 1
            if rows.known[i] and rows.known[i - 1]:
                lay_row(bed, rows, strips, i)
            else:
                close(bed)
        elif kind == TRAVEL or kind == WIPE or kind == WALL or kind == TOOL:
            close(bed)


@kernel
def _judge(
    bed: Bed, rows: Rows, gaps: Gaps, q: Sweep, t: int, begin: int, end: int, replaced: bool, x: Floats, y: Floats,
    z: Floats, before: Bytes, after: Bytes,
) -> None:  # fmt: skip
    """Judge one travel as it came and, where moves begin..end take its place, as it leaves."""
    way = q.way
    first, last = gaps.first[t], gaps.last[t]
    length, low, known = measure(rows, first, last)
    if not known or length < 1e-6:
        return
    z0, z1 = rows.z[first - 1], rows.z[last - 1]
    for k in range(begin, end):
        low = min(low, z[k])
    spacing = max(SPACING, length / (PLACES - 4))
    for side in range(2):
        forget(q)
        way[W_Z0], way[W_Z1], way[W_LENGTH], way[W_LOW] = z0, z1, length, min(low, z0, z1)
        way[W_PATH] = (bed.state[PATH] + 16777215.0) % 16777216.0
        next_bead(bed, rows, last, gaps.after[t], way)
        if side == 0:
            look_along(bed, rows, q, first, last, spacing)
            before[t] = way[W_STRUCK]
        elif replaced:
            way[W_LENGTH] = _way(rows.x[first - 1], rows.y[first - 1], begin, end, x, y)
            _look_along_moves(
                bed, q, rows.x[first - 1], rows.y[first - 1], z0, begin, end, x, y, z, spacing
            )
            after[t] = way[W_STRUCK]
        else:
            after[t] = before[t]


@kernel
def _way(x0: float, y0: float, begin: int, end: int, x: Floats, y: Floats) -> float:
    """XY length of the moves begin..end from a place: less than the job's own where it went round in a circle."""
    length = 0.0
    for k in range(begin, end):
        length += np.hypot(x[k] - x0, y[k] - y0)
        x0, y0 = x[k], y[k]
    return float(length)


@kernel
def _look_along_moves(
    bed: Bed, q: Sweep, x0: float, y0: float, z0: float, begin: int, end: int, x: Floats, y: Floats, z: Floats,
    spacing: float,
) -> None:  # fmt: skip
    """Sweep the flat along straight moves."""
    s = 0.0
    for k in range(begin, end):
        length = np.hypot(x[k] - x0, y[k] - y0)
        sweep(bed, q, spacing, s, s + length, x0, y0, z0, x[k], y[k], z[k])
        s += length
        x0, y0, z0 = x[k], y[k], z[k]
