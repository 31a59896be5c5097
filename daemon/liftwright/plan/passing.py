"""The kernel that goes through a window of a job once, in order: beads onto the bed, travels over what stands there.

In: columns of moves and travels, the arrays of a job's terrain (changed in place). Out: what was found for each travel,
and the vertices of its lift. Everything that must outlive a window stands in the terrain's own arrays.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from liftwright.job.columns import A_CX, A_CY, A_SWEEP, BEAD, TOOL, TRAVEL, WALL, WIPE
from liftwright.kernels import inlined, kernel
from liftwright.plan.beads import Bytes, Rows, chords, close, lay_row, on_arc
from liftwright.plan.bed import CURLED, NOZZLE, PATH, Bed, Strips
from liftwright.plan.cells import Floats
from liftwright.plan.obstacles import (
    W_FROM,
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
    W_TILL,
    W_Z0,
    W_Z1,
    Sweep,
    forget,
    sweep,
)  # fmt: skip
from liftwright.plan.raster import Integers
from liftwright.plan.string import taut, thin

CLEAR, LIFTED, BLOCKED, NOT_JUDGED = 0, 1, 2, 3
# Columns of the numbers of a travel.
T_TALLEST, T_PEAK, T_CLIMB, T_LENGTH = range(4)

SPACING = 0.05  # mm between the places at which heights are kept along a travel
PLACES = 8192  # at most so many; longer travels have them farther apart
EARLY = 1.0  # mm; the stretch after the last bead in which a climb draws ooze
OWN_LIFT = 0.01  # mm; a travel of the job that goes this far above its ends is lifted


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
    bed: Bed, rows: Rows, strips: Strips, gaps: Gaps, q: Sweep, head: Sweep, slope: float, most_height: float,
    climb_blocked: bool, vertices: int, hull_s: Floats, hull_z: Floats, found: Found,
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
                lay_row(bed, rows, strips, i)
            else:
                close(bed)
        elif kind == TRAVEL or kind == WIPE or kind == WALL or kind == TOOL:
            close(bed)
        found.curled[i] = bed.state[CURLED] - curled


@inlined
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
    forget(q)
    way[W_Z0], way[W_Z1], way[W_LENGTH], way[W_LOW] = z0, z1, length, min(low, z0, z1)
    way[W_PATH] = bed.state[PATH] - 1.0
    next_bead(bed, rows, last, gaps.after[t], way)
    spacing = max(SPACING, length / (PLACES - 4))
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
    m = taut(q.need, int(way[W_FROM]), int(way[W_TILL]), spacing, length, z0, z1, slope, hull_s, hull_z)
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
def next_bead(bed: Bed, rows: Rows, last: int, i: int, way: Floats) -> None:
    """Where the bead behind a travel that ends with row last - 1 begins, its direction and half width."""
    x0, y0 = rows.x[i - 1], rows.y[i - 1]
    if x0 != rows.x[last - 1] or y0 != rows.y[last - 1]:
        return  # the travel ends at a tool change, and another way leads on to the bead
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
