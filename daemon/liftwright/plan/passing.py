"""The kernel that goes through a window of a job once, in order: beads onto the bed, travels over what stands there.

In: columns of moves and travels, the arrays of a job's terrain (changed in place). Out: what was found for each travel,
and the vertices of its lift. Everything that must outlive a window stands in the terrain's own arrays.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from liftwright.job.columns import A_CX, A_CY, A_SWEEP, BEAD, TOOL, TRAVEL, WALL, WIPE
from liftwright.kernels import kernel
from liftwright.plan.cells import Z_TOP, Floats
from liftwright.plan.obstacles import (
    W_HURRY,
    W_LENGTH,
    W_LOW,
    W_NEXT,
    W_NEXT_HALF,
    W_NEXT_UX,
    W_NEXT_UY,
    W_NEXT_X,
    W_NEXT_Y,
    W_PATH,
    W_STRUCK,
    W_STRUCK_FLAT,
    W_TALLEST,
    W_Z0,
    W_Z1,
    Sweep,
    clear_need,
    sweep,
)  # fmt: skip
from liftwright.plan.overhang import (
    CARRIED,
    COLUMNS,
    CURLED,
    FILAMENT,
    LAYER_H,
    LAYER_Z,
    LOCAL_H,
    NOZZLE,
    OPEN,
    PATH,
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
    end_path,
    lay_bead,
)  # fmt: skip
from liftwright.plan.raster import TILE, Integers
from liftwright.plan.string import taut, thin

Bytes = npt.NDArray[np.uint8]

CLEAR, LIFTED, BLOCKED, NOT_JUDGED = 0, 1, 2, 3
# Columns of the numbers of a travel.
T_TALLEST, T_PEAK, T_CLIMB, T_LENGTH = range(4)

SPACING = 0.05  # mm between the places at which heights are kept along a travel
PLACES = 8192  # at most so many; longer travels have them farther apart
STALE = 20.0  # mm of beads deep below the terrain that prove the bed was cleared
EARLY = 1.0  # mm; the stretch after the last bead in which a climb draws ooze
CORNER = 0.2146018366025517  # 1 - π/4: what the round sides of a bead lack of its rectangle, in squares of its height
SAGITTA = 0.01  # mm by which the chords of an arc may miss it
LEAST_H = 0.02  # mm
OWN_LIFT = 0.01  # mm; a travel of the job that goes this far above its ends is lifted
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


class Gaps(NamedTuple):
    """Columns of the window's travels (plan/travels.py), and which of them may be lifted."""

    after: Integers
    first: Integers
    last: Integers
    may_lift: Bytes


class Found(NamedTuple):
    """What was found for each travel, and for each row."""

    status: Bytes
    struck_before: Bytes
    struck_after: Bytes
    numbers: Floats  # (4, n): tallest, peak, climb, length
    at: Integers
    s: Floats
    z: Floats
    curled: Floats  # mm of beads that were given an allowance with this row


@kernel
def pass_window(
    bed: Bed, rows: Rows, gaps: Gaps, q: Sweep, head: Sweep, slope: float, most_height: float, climb_blocked: bool,
    vertices: int, hull_s: Floats, hull_z: Floats, found: Found,
) -> None:  # fmt: skip
    """Go through the rows of one window; row 0 only holds the position."""
    t, used = 0, 0
    found.at[0] = 0
    for i in range(1, rows.kind.size):
        kind = rows.kind[i]
        curled = bed.state[CURLED]
        if kind == BEAD:
            while t < gaps.after.size and gaps.after[t] <= i:
                close(bed)
                used = judge(bed, rows, gaps, q, head, t, slope, most_height, climb_blocked, vertices,
                             hull_s, hull_z, found, used)  # fmt: skip
                t += 1
                found.at[t] = used
            if rows.known[i] and rows.known[i - 1]:
                lay_row(bed, rows, i)
            else:
                close(bed)
        elif kind == TRAVEL or kind == WIPE or kind == WALL or kind == TOOL:
            close(bed)
        found.curled[i] = bed.state[CURLED] - curled


@kernel
def close(bed: Bed) -> None:
    """End the open path, if there is one."""
    if bed.state[OPEN] == 1.0:
        end_path(bed)


@kernel
def lay_row(bed: Bed, rows: Rows, i: int) -> None:
    """Lay the bead of one row: straight, or an arc as chords; a rising one in level parts."""
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
    if length < 1e-4:
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
    xa, ya = x0, y0
    for k in range(1, parts + 1):
        f = k / parts
        xb, yb = x0 + f * (x1 - x0), y0 + f * (y1 - y0)
        if arc >= 0 and k < parts:
            xb, yb = on_arc(rows.arcs[A_CX, arc], rows.arcs[A_CY, arc], x0, y0, f * sweep_angle)
        if abs(xb - xa) + abs(yb - ya) > 1e-6:
            lay_bead(bed, xa, ya, xb, yb, z0 + (k - 0.5) / parts * (z1 - z0), h, width)
        xa, ya = xb, yb
    state[X_END], state[Y_END], state[Z_END] = x1, y1, z1
    if state[STALE_LENGTH] > STALE:
        start_anew(bed)


@kernel
def start_anew(bed: Bed) -> None:
    """The bed was cleared: forget the terrain, and lay again the beads that proved it."""
    state = bed.state
    for tile in range(bed.tiles.size):
        # Where nothing lies nothing is touched: most of a large bed costs no memory.
        if bed.tiles[tile] > 0.0:
            bed.tiles[tile] = 0.0
            bed.words[tile * TILE * TILE : (tile + 1) * TILE * TILE] = 0
    state[RUN_END] = state[CARRIED] = 0.0
    count = int(state[STALE_BEADS])
    for k in range(count):
        a = bed.again[k]
        lay_bead(bed, a[0], a[1], a[2], a[3], a[4], a[5], a[6])
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
def height_of(bed: Bed, x: float, y: float, z0: float, z1: float, area: float) -> float:
    """Layer height of a bead: the step of bead height, or where that can't be, what the bed says at its middle."""
    state, nozzle = bed.state, bed.job[NOZZLE]
    level = abs(z1 - z0) < 1e-4
    if level and abs(z1 - state[LAYER_Z]) > 1e-3:
        step = z1 - state[LAYER_Z]
        if step < -1.5 * state[LAYER_H]:
            step = z1  # begins again on the bed
        if LEAST_H <= step <= 1.5 * nozzle:
            state[LAYER_H] = step
        state[LOCAL_H] = 0.0
        state[LAYER_Z] = z1
    h = state[LAYER_H]
    if level and width_of(nozzle, area, h) <= 2.0 * nozzle:
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
    i = ((row >> 3) * (columns >> 3) + (column >> 3) << 6) + ((row & 7) << 3) + (column & 7)
    return float(bed.singles[i, Z_TOP])


@kernel
def judge(
    bed: Bed, rows: Rows, gaps: Gaps, q: Sweep, head: Sweep, t: int, slope: float, most_height: float,
    climb_blocked: bool, vertices: int, hull_s: Floats, hull_z: Floats, found: Found, used: int,
) -> int:  # fmt: skip
    """Judge one travel and write its vertices, if it needs any; returns how many vertices are used by now."""
    way = q.way
    first, last = gaps.first[t], gaps.last[t]
    found.status[t] = NOT_JUDGED
    length, low, known = measure(rows, first, last)
    found.numbers[T_LENGTH, t] = length
    if not known or length < 1e-6:
        return used
    z0, z1 = rows.z[first - 1], rows.z[last - 1]
    way[:] = 0.0
    way[W_Z0], way[W_Z1], way[W_LENGTH], way[W_LOW] = z0, z1, length, min(low, z0, z1)
    way[W_PATH] = bed.state[PATH] - 1.0
    next_bead(bed, rows, gaps.after[t], way)
    spacing = max(SPACING, length / (PLACES - 4))
    places = int(np.ceil(length / spacing)) + 2
    clear_need(q.need, places)
    # A travel that stays as it is needs no heights: the first strike ends the search.
    way[W_HURRY] = 0.0 if gaps.may_lift[t] else 1.0
    look_along(bed, rows, q, first, last, spacing)
    beside_tall = False
    if head.radius > 0.0:
        by_nozzle = way[W_STRUCK_FLAT]
        way[W_STRUCK_FLAT] = 0.0
        look_along(bed, rows, head, first, last, spacing)
        beside_tall = way[W_STRUCK_FLAT] > 0.0
        way[W_STRUCK_FLAT] = max(by_nozzle, way[W_STRUCK_FLAT])
    found.struck_before[t] = way[W_STRUCK]
    found.struck_after[t] = way[W_STRUCK]
    found.numbers[T_TALLEST, t] = way[W_TALLEST]
    if not gaps.may_lift[t]:
        return used
    if beside_tall and lifts_itself(rows, first, last, max(z0, z1)):
        # The job lifts here for the sake of the head: who made it may know more of the machine.
        found.status[t] = BLOCKED
        return used
    if way[W_STRUCK_FLAT] == 0.0:
        found.status[t] = CLEAR
        found.struck_after[t] = 0
        return used
    m = taut(q.need, places, spacing, length, z0, z1, slope, hull_s, hull_z)
    peak = z0
    for k in range(m):
        peak = max(peak, hull_z[k])
    found.numbers[T_PEAK, t] = peak
    found.status[t] = LIFTED
    if peak - max(z0, z1) > most_height:
        found.status[t] = BLOCKED
        if not climb_blocked:
            return used
    m = thin(hull_s, hull_z, m, vertices)
    found.struck_after[t] = 0
    found.numbers[T_CLIMB, t] = height_at(hull_s, hull_z, m, min(EARLY, length)) - z0
    for k in range(m):
        found.s[used], found.z[used] = hull_s[k], hull_z[k]
        used += 1
    return used


@kernel
def lifts_itself(rows: Rows, first: int, last: int, top: float) -> bool:
    """Whether the job's own path goes above both its ends."""
    highest = top
    for i in range(first, last):
        highest = max(highest, rows.z[i])
    return bool(highest > top + OWN_LIFT)


@kernel
def height_at(s: Floats, z: Floats, m: int, place: float) -> float:
    """Greatest height of a side view from its start to a place."""
    top = z[0]
    for k in range(1, m):
        if s[k] <= place:
            top = max(top, z[k])
        elif s[k - 1] < place:
            top = max(top, z[k - 1] + (z[k] - z[k - 1]) * (place - s[k - 1]) / (s[k] - s[k - 1]))
    return float(top)


@kernel
def measure(rows: Rows, first: int, last: int) -> tuple[float, float, bool]:
    """XY length of the rows first..last, their lowest point, and whether all of it is known."""
    length, low = 0.0, rows.z[first - 1]
    known = rows.known[first - 1] == 1
    for i in range(first, last):
        known = known and rows.known[i] == 1
        low = min(low, rows.z[i])
        arc = rows.arc[i]
        if arc >= 0:
            radius = np.hypot(rows.x[i - 1] - rows.arcs[A_CX, arc], rows.y[i - 1] - rows.arcs[A_CY, arc])
            length += radius * abs(rows.arcs[A_SWEEP, arc])
        else:
            length += np.hypot(rows.x[i] - rows.x[i - 1], rows.y[i] - rows.y[i - 1])
    return length, low, known


@kernel
def look_along(bed: Bed, rows: Rows, q: Sweep, first: int, last: int, spacing: float) -> None:
    """Sweep the flat along every row of a travel."""
    s = 0.0
    for i in range(first, last):
        x0, y0, z0 = rows.x[i - 1], rows.y[i - 1], rows.z[i - 1]
        arc = rows.arc[i]
        if arc < 0:
            length = np.hypot(rows.x[i] - x0, rows.y[i] - y0)
            sweep(bed, q, spacing, s, s + length, x0, y0, z0, rows.x[i], rows.y[i], rows.z[i])
            s += length
            continue
        cx, cy, angle = rows.arcs[A_CX, arc], rows.arcs[A_CY, arc], rows.arcs[A_SWEEP, arc]
        radius = np.hypot(x0 - cx, y0 - cy)
        parts = chords(radius, angle)
        length, rise = radius * abs(angle) / parts, (rows.z[i] - z0) / parts
        xa, ya = x0, y0
        for k in range(parts):
            xb, yb = on_arc(cx, cy, x0, y0, angle * (k + 1) / parts)
            sweep(bed, q, spacing, s, s + length, xa, ya, z0 + k * rise, xb, yb, z0 + (k + 1) * rise)
            s += length
            xa, ya = xb, yb


@kernel
def next_bead(bed: Bed, rows: Rows, i: int, way: Floats) -> None:
    """Where the bead behind a travel begins, its direction and half width."""
    x0, y0 = rows.x[i - 1], rows.y[i - 1]
    dx, dy = rows.x[i] - x0, rows.y[i] - y0
    length = np.hypot(dx, dy)
    if rows.arc[i] >= 0:
        arc = rows.arc[i]
        turn = 1.0 if rows.arcs[A_SWEEP, arc] > 0.0 else -1.0
        dx, dy = -turn * (y0 - rows.arcs[A_CY, arc]), turn * (x0 - rows.arcs[A_CX, arc])
        length = np.hypot(dx, dy)
    if length > 1e-6:
        way[W_NEXT] = 1.0
        way[W_NEXT_X], way[W_NEXT_Y], way[W_NEXT_UX], way[W_NEXT_UY] = x0, y0, dx / length, dy / length
        way[W_NEXT_HALF] = 0.6 * bed.job[NOZZLE]
