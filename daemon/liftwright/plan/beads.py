"""The beads of a window, row by row, onto the bed: how long, high and wide each is, and in which parts it is laid.

In: columns of moves, the arrays of a job's terrain. Out: the beads in the terrain, and what its state says of layers,
widths and of a bed that was cleared.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from liftwright.job.columns import A_CX, A_CY, A_SWEEP
from liftwright.job.moves import Moves
from liftwright.kernels import inlined, kernel
from liftwright.plan.bed import (
    CARRIED,
    COLUMNS,
    FILAMENT,
    LAYER_H,
    LAYER_Z,
    LOCAL_H,
    NOZZLE,
    OPEN,
    PER_MM,
    RESTARTS,
    ROWS,
    RUN_END,
    STALE_BEADS,
    STALE_LENGTH,
    USUAL_WIDTH,
    X_END,
    X_LOW,
    Y_END,
    Y_LOW,
    Z_END,
    Bed,
    Strips,
)
from liftwright.plan.cells import Z_TOP, Floats, cell_at
from liftwright.plan.overhang import lay_bead
from liftwright.plan.raster import TILE
from liftwright.plan.waiting import end_path

Bytes = npt.NDArray[np.uint8]

STALE = 20.0  # mm of beads deep below the terrain that prove the bed was cleared
CORNER = 0.2146018366025517  # 1 - π/4: what the round sides of a bead lack of its rectangle, in squares of its height
SAGITTA = 0.01  # mm by which the chords of an arc may miss it
SHORTEST = 1e-4  # mm; shorter beads lay nothing
LEAST_H = 0.02  # mm
LEVEL, SAME_Z = 1e-4, 1e-3  # mm; a bead that rises less is level; beads that differ less are of one layer
WIDEST = 2.0  # nozzles; a level bead that seems wider is higher than its layer
WIDTH_MEMORY = 200.0  # mm of beads over which their usual width is taken


class Rows(NamedTuple):
    """Columns of one window of moves (job/moves.py)."""

    kind: Bytes
    known: Bytes
    arc: npt.NDArray[np.int32]
    x: Floats
    y: Floats
    z: Floats
    de: Floats
    arcs: Floats


def rows_of(moves: Moves) -> Rows:
    """The columns that are needed here."""
    return Rows(moves.kind, moves.known, moves.arc, moves.x, moves.y, moves.z, moves.de, moves.arcs)


@kernel
def close(bed: Bed) -> None:
    """End the open path, if there is one."""
    if bed.state[OPEN] == 1.0:
        end_path(bed)


@inlined
def lay_row(bed: Bed, rows: Rows, strips: Strips, i: int) -> None:
    """Lay the bead of one row: straight, or an arc as chords; a rising one in level parts.

    strips: the window's beads as far as they were covered before.
    """
    x0, y0, z0 = rows.x[i - 1], rows.y[i - 1], rows.z[i - 1]
    x1, y1, z1 = rows.x[i], rows.y[i], rows.z[i]
    arc, state = rows.arc[i], bed.state
    dx, dy = x1 - x0, y1 - y0
    length, radius, sweep_angle = np.sqrt(dx * dx + dy * dy), 0.0, 0.0
    parts = 1
    if arc >= 0:
        radius = np.hypot(x0 - rows.arcs[A_CX, arc], y0 - rows.arcs[A_CY, arc])
        sweep_angle = rows.arcs[A_SWEEP, arc]
        length = radius * abs(sweep_angle)
        parts = chords(radius, sweep_angle)
    if length < SHORTEST:
        return
    area = rows.de[i] * bed.job[FILAMENT] / length
    h = height_of(bed, 0.5 * (x0 + x1), 0.5 * (y0 + y1), z0, z1, area)
    width = width_of(bed.job[NOZZLE], area, h)
    note_width(state, bed.job[NOZZLE], area, h, length)
    if abs(z1 - z0) > 0.2 * h:
        parts = max(parts, min(1000, int(np.ceil(abs(z1 - z0) / (0.2 * h)))))
    joins = state[OPEN] == 1.0 and abs(x0 - state[X_END]) + abs(y0 - state[Y_END]) + abs(z0 - state[Z_END]) < 2e-3
    if not joins:
        close(bed)
        state[OPEN] = 1.0
    xa, ya, row = x0, y0, -1
    if i + 1 < strips.at.size and strips.at[i + 1] > strips.at[i] and strips.width[i] == width:
        row = i
    for k in range(1, parts + 1):
        f = k / parts
        xb, yb = x0 + f * (x1 - x0), y0 + f * (y1 - y0)
        if arc >= 0 and k < parts:
            xb, yb = on_arc(rows.arcs[A_CX, arc], rows.arcs[A_CY, arc], x0, y0, f * sweep_angle)
        part = length if parts == 1 and arc < 0 else np.sqrt((xb - xa) ** 2 + (yb - ya) ** 2)
        if part > 1e-6:
            lay_bead(bed, strips, row, xa, ya, xb, yb, part, z0 + (k - 0.5) / parts * (z1 - z0), h, width)
        xa, ya = xb, yb
    state[X_END], state[Y_END], state[Z_END] = x1, y1, z1
    if state[STALE_LENGTH] > STALE:
        start_anew(bed, strips)


@kernel
def start_anew(bed: Bed, strips: Strips) -> None:
    """The bed was cleared: forget the terrain, and lay again the beads that proved it."""
    state = bed.state
    for tile in range(bed.tops.size):
        # Where nothing lies nothing is touched: most of a large bed costs no memory.
        if bed.tops[tile] > 0.0:
            bed.tops[tile] = bed.tiles[tile] = 0.0
            bed.curled[tile] = 0
            bed.words[tile * TILE * TILE : (tile + 1) * TILE * TILE] = 0
    state[RUN_END] = state[CARRIED] = 0.0
    count = int(state[STALE_BEADS])
    for k in range(count):
        a = bed.again[k]
        length = np.sqrt((a[2] - a[0]) ** 2 + (a[3] - a[1]) ** 2)
        lay_bead(bed, strips, -1, a[0], a[1], a[2], a[3], length, a[4], a[5], a[6])
    state[STALE_LENGTH] = state[STALE_BEADS] = 0.0
    state[RESTARTS] += 1.0


@kernel
def chords(radius: float, sweep_angle: float) -> int:
    """Number of chords that keep within SAGITTA of an arc."""
    step = 2.0 * np.arccos(max(1.0 - SAGITTA / max(radius, SAGITTA), 0.0))
    return max(1, min(2000, int(np.ceil(abs(sweep_angle) / step))))


@kernel
def on_arc(cx: float, cy: float, x: float, y: float, angle: float) -> tuple[float, float]:
    """The point (x, y) turned about (cx, cy), counter-clockwise."""
    c, s = np.cos(angle), np.sin(angle)
    return cx + c * (x - cx) - s * (y - cy), cy + s * (x - cx) + c * (y - cy)


@kernel
def width_of(nozzle: float, area: float, h: float) -> float:
    """Width of a bead from its area: A = h·(w - h·(1 - π/4)), within 0.5 to 3 nozzles."""
    return float(min(max(area / h + h * CORNER, 0.5 * nozzle), 3.0 * nozzle))


@kernel
def note_width(state: Floats, nozzle: float, area: float, h: float, length: float) -> None:
    """Follow how wide beads are as a rule by their E: a wrong filament diameter shows here."""
    width = min(area / h + h * CORNER, 3.0 * nozzle)
    state[USUAL_WIDTH] += (width - state[USUAL_WIDTH]) * min(1.0, length / WIDTH_MEMORY)


@kernel
def layer_step(before: float, h: float, z: float, nozzle: float) -> float:
    """Layer height from beads at z on, mm, where the last level beads lay at `before` with height h."""
    step = z - before
    if step < -1.5 * h:
        step = z  # begins again on the bed
    return float(step if LEAST_H <= step <= 1.5 * nozzle else h)


@kernel
def height_of(bed: Bed, x: float, y: float, z0: float, z1: float, area: float) -> float:
    """Layer height of a bead: the step of bead height, or where that can't be, what the bed says at its middle."""
    state, nozzle = bed.state, bed.job[NOZZLE]
    level = abs(z1 - z0) < LEVEL
    if level and abs(z1 - state[LAYER_Z]) > SAME_Z:
        state[LAYER_H] = layer_step(state[LAYER_Z], state[LAYER_H], z1, nozzle)
        state[LOCAL_H] = 0.0
        state[LAYER_Z] = z1
    h = state[LAYER_H]
    if level and width_of(nozzle, area, h) <= WIDEST * nozzle:
        return float(h)
    # Rising beads have no layer step; several heights printed by turns (supports) show steps smaller than their beads.
    local = 0.5 * (z0 + z1) - top_at(bed, x, y)
    if LEAST_H <= local <= 1.5 * nozzle and (local > h or not level):
        state[LOCAL_H] = local
    if not level and state[LOCAL_H] == 0.0:
        return float(h)
    return float(max(h, state[LOCAL_H]) if level else state[LOCAL_H])


@kernel
def top_at(bed: Bed, x: float, y: float) -> float:
    """Height of what is printed at a place, mm."""
    job = bed.job
    column, row = int((x - job[X_LOW]) * job[PER_MM]), int((y - job[Y_LOW]) * job[PER_MM])
    columns = int(job[COLUMNS])
    if not (0 <= column < columns and 0 <= row < int(job[ROWS])):
        return 0.0
    return float(bed.singles[cell_at(columns, column, row), Z_TOP])
