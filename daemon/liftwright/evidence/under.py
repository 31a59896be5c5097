"""What stands on the bed at places that somebody wants to see: printed height and the allowance upon it.

In: the terrain's arrays and columns of moves. Out: heights in mm, filled into given arrays. Laying beads is the
planner's own code, so that what is shown is what was planned with.
"""

import numpy as np

from liftwright.job.columns import BEAD, TOOL, TRAVEL, WALL, WIPE
from liftwright.kernels import kernel
from liftwright.plan.beads import Rows, close, lay_row
from liftwright.plan.bed import COLUMNS, PART, PER_MM, ROWS, X_LOW, Y_LOW, Bed, Strips
from liftwright.plan.cells import C_TOP, FIFTEEN, NONE, SQUARES, TOP, Floats, cell_at, square_height

PLACES_ALONG = 5  # at most so many places along a bead are looked at
APART_MM = 0.8  # and about so far apart


@kernel
def lay_rows(bed: Bed, rows: Rows, strips: Strips, begin: int, end: int) -> None:
    """Lay the beads of rows begin..end, in order."""
    for i in range(begin, end):
        kind = rows.kind[i]
        if kind == BEAD:
            if rows.known[i] and rows.known[i - 1]:
                lay_row(bed, rows, strips, i)
            else:
                close(bed)
        elif kind == TRAVEL or kind == WIPE or kind == WALL or kind == TOOL:
            close(bed)


@kernel
def allowances(bed: Bed, x0: Floats, y0: Floats, x1: Floats, y1: Floats, out: Floats) -> None:
    """The tallest allowance at a few places along each straight piece, mm: of what lies on top there."""
    for k in range(x0.size):
        length = np.hypot(x1[k] - x0[k], y1[k] - y0[k])
        n = max(1, min(PLACES_ALONG, int(length / APART_MM)))
        out[k] = 0.0
        for j in range(n):
            f = (j + 0.5) / n
            out[k] = max(out[k], allowance_at(bed, x0[k] + f * (x1[k] - x0[k]), y0[k] + f * (y1[k] - y0[k])))


@kernel
def allowance_at(bed: Bed, x: float, y: float) -> float:
    """The allowance of the square of a cell in which a place lies, mm."""
    job, words = bed.job, bed.words
    cx, cy = (x - job[X_LOW]) * job[PER_MM], (y - job[Y_LOW]) * job[PER_MM]
    column, row, columns = int(np.floor(cx)), int(np.floor(cy)), int(job[COLUMNS])
    if not (0 <= column < columns and 0 <= row < int(job[ROWS])):
        return 0.0
    i = cell_at(columns, column, row)
    square = min(3, int((cy - row) * 4.0)) * 4 + min(3, int((cx - column) * 4.0))
    if (words[i, TOP] >> np.uint64(4 * square)) & FIFTEEN == NONE:
        return 0.0
    byte = np.uint64(8 * (square & 7))
    return float(float((words[i, C_TOP + (square >> 3)] >> byte) & np.uint64(127)) * job[PART])


@kernel
def heights(
    bed: Bed, radius: float, limit: float, x: Floats, y: Floats, printed: Floats, allowed: Floats, begin: int, end: int
) -> None:
    """Under the nozzle's flat at places begin..end: the highest print, and the highest with its allowance, mm.

    radius: of the flat, mm. limit: mm; from TALL above it on, a cell counts whole, as it does for the planner.
    """
    job = bed.job
    columns, n_rows, cell = int(job[COLUMNS]), int(job[ROWS]), 1.0 / job[PER_MM]
    reach = radius * job[PER_MM]
    for k in range(begin, end):
        cx, cy = (x[k] - job[X_LOW]) * job[PER_MM], (y[k] - job[Y_LOW]) * job[PER_MM]
        printed[k] = allowed[k] = 0.0
        for row in range(max(0, int(np.floor(cy - reach))), min(n_rows - 1, int(np.floor(cy + reach))) + 1):
            for column in range(max(0, int(np.floor(cx - reach))), min(columns - 1, int(np.floor(cx + reach))) + 1):
                i = cell_at(columns, column, row)
                for square in range(SQUARES):
                    dx = column + 0.25 * (square & 3) + 0.125 - cx
                    dy = row + 0.25 * (square >> 2) + 0.125 - cy
                    if (dx * dx + dy * dy) * cell * cell <= radius * radius:
                        height, allowance = square_height(bed.words, bed.singles, i, square, job[PART], limit)
                        printed[k] = max(printed[k], height - allowance)
                        allowed[k] = max(allowed[k], height)


@kernel
def along(x: Floats, y: Floats, n: int, spacing: float, px: Floats, py: Floats, ps: Floats) -> int:
    """Even places along a polyline of n points, its end included; returns how many there are."""
    length = 0.0
    for k in range(1, n):
        length += np.hypot(x[k] - x[k - 1], y[k] - y[k - 1])
    count = max(2, min(px.size, int(np.ceil(length / spacing)) + 1))
    step, k, s0 = length / (count - 1), 1, 0.0
    for j in range(count):
        s = j * step
        piece = np.hypot(x[k] - x[k - 1], y[k] - y[k - 1])
        while k < n - 1 and s > s0 + piece:
            s0 += piece
            k += 1
            piece = np.hypot(x[k] - x[k - 1], y[k] - y[k - 1])
        f = min(1.0, (s - s0) / piece) if piece > 0.0 else 0.0
        px[j], py[j], ps[j] = x[k - 1] + f * (x[k] - x[k - 1]), y[k - 1] + f * (y[k] - y[k - 1]), s
    return count
