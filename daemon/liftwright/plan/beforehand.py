"""The beads of a window covered before it is their turn to be laid: what can be done beside other work.

In: columns of moves. Out: strips (bed.py) of the straight level beads. The layer height is followed as the terrain
follows it (beads.py); where it comes to another width all the same, the bead is covered again.
"""

from __future__ import annotations

import numpy as np

from liftwright.job.columns import BEAD
from liftwright.kernels import kernel
from liftwright.plan.beads import LEVEL, SAME_Z, SHORTEST, WIDEST, Rows, layer_step, width_of
from liftwright.plan.bed import FILAMENT, NOZZLE, Covered, Strips
from liftwright.plan.cells import Floats
from liftwright.plan.covering import MOST_CELLS, MOST_COLUMNS, cover_bead
from liftwright.plan.raster import Words

CELLS_PER_ROW, COLUMNS_PER_ROW = 24, 12  # room; a window that needs more has its last beads covered in their turn


def new_strips(rows: int) -> Strips:
    """Room for a window of so many rows, the first included; 0: none of its beads is covered before."""
    cells, columns = (rows * CELLS_PER_ROW + MOST_CELLS, rows * COLUMNS_PER_ROW + MOST_COLUMNS) if rows else (0, 0)
    return Strips(
        np.zeros(rows + 1, np.int64), np.zeros(rows + 1, np.int64), np.empty(rows, np.int64), np.empty(rows),
        Covered(
            np.empty(cells, np.int32), np.empty(cells, np.uint64), np.empty(cells, np.float32),
            np.empty(columns, np.int32),
        ),
    )  # fmt: skip


@kernel
def cover_rows(table: Words, job: Floats, layer: Floats, rows: Rows, strips: Strips) -> None:
    """Cover the straight level beads of a window. layer: height and layer height of the last level beads, mm."""
    nozzle = job[NOZZLE]
    beads = strips.beads
    n = m = 0
    for i in range(1, rows.kind.size):
        if rows.kind[i] == BEAD and rows.known[i] and rows.known[i - 1] and abs(rows.z[i] - rows.z[i - 1]) < LEVEL:
            x0, y0, z = rows.x[i - 1], rows.y[i - 1], rows.z[i]
            dx, dy = rows.x[i] - x0, rows.y[i] - y0
            length = np.sqrt(dx * dx + dy * dy)
            if length >= SHORTEST:
                if abs(z - layer[0]) > SAME_Z:
                    layer[1] = layer_step(layer[0], layer[1], z, nozzle)
                    layer[0] = z
                width = width_of(nozzle, rows.de[i] * job[FILAMENT] / length, layer[1])
                room = beads.cells.size - n >= MOST_CELLS and beads.ends.size - m >= MOST_COLUMNS
                if rows.arc[i] < 0 and width <= WIDEST * nozzle and room:
                    to = n + MOST_CELLS
                    rest = Covered(
                        beads.cells[n:to], beads.covers[n:to], beads.alongs[n:to], beads.ends[m : m + MOST_COLUMNS]
                    )
                    cells, columns, strips.column[i] = cover_bead(
                        table, job, x0, y0, x0 + dx, y0 + dy, length, width, rest
                    )
                    strips.width[i] = width
                    n += cells
                    m += columns
        strips.at[i + 1], strips.columns_at[i + 1] = n, m
