"""Moves to travels: what lies between two beads, and whether it may be rewritten.

1. Everything between two beads is one gap. Its active rows begin behind the last wipe or retraction and end before the
   first prime: there alone a lift may be.
2. A gap that holds something whose meaning or purpose isn't certain is left as it is, with the reason. The way up to a
   tool change can be a travel by itself: it ends where the job changes the tool, and what lies behind isn't looked at.
3. Retracted means that E stands more than 0.1 mm below its highest value of that tool, or that a firmware retraction
   is latched; it may have begun in an earlier gap.
4. A layer begins with each upward step of bead height, and the count begins again when height drops by more than one.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import (
    BEAD,
    DWELL,
    FW_PRIME,
    FW_RETRACT,
    PRIME,
    R_SCALE,
    R_X,
    R_Y,
    R_Z,
    RETRACT,
    SET,
    TOOL,
    TRAVEL,
    W_ODD,
    W_PLANE,
    W_TURN,
    WALL,
    WIPE,
)
from liftwright.job.moves import Moves
from liftwright.kernels import inlined, kernel

# Why a gap is left as it is; the words stand in the record.
REASONS = (
    "free",
    "before the print begins",
    "wall",
    "position unknown",
    "dwell",
    "dips below both ends",
    "rises more than once",
    "rotated plane",
    "primes before it travels",
    "shared line",
    "arc",
    "shifted position",
    "no way",
    "layer not fully known",
    "no feed",
    "too short",
    "not retracted",
    "left out by the rule",
    "own lift kept",
    "own lift deliberate",
    "no room below z_max",
    "clear",
    "blocked",
    "nothing to take away",
    "more than nine decimals",
    "not exact in these units",
)
(
    FREE, BEFORE, AT_WALL, UNKNOWN, DWELLS, DIPS, SEVERAL, PLANE, ORDER, SHARED, ARC, SHIFTED, NO_WAY, HOLE, NO_FEED,
    SHORT, NOT_RETRACTED, LEFT_OUT, OWN_KEPT, OWN_TALL, NO_ROOM, CLEAR, BLOCKED, NOTHING, TOO_FINE, INEXACT,
) = range(26)  # fmt: skip

RETRACTED_MM = 0.1  # below this, E noise of wipes and rounding would pass for a retraction
SAME_MM = 1e-6  # two decimals of a job that differ do so by far more
GRID_MM = 1e-10  # far below a billionth of an inch, far above what doubles lose on the way
LAYER_STEP_MM = 0.02  # thinner than any layer, thicker than the ripple of bed levelling written into a job

# Column numbers of the two tables.
T_BEFORE, T_AFTER, T_FIRST, T_LAST, T_RETRACTED, T_REASON, T_LAYER, T_LABEL, T_TO_TOOL, INTS = range(10)
T_LENGTH, T_Z0, T_Z1, T_TOP, T_HEIGHT, T_SPEED, FLOATS = range(7)
# Slots of the carried state.
V_LAYER_Z, V_LAYER_H, V_HOLE_Z = range(3)
V_LAYER, V_KNOWN_FROM, V_FW, V_BEGIN_LINE, V_STARTED = range(5)
TOOLS = 100
OPEN = 1 << 60  # in V_KNOWN_FROM: beads at unknown places, with no whole layer above them yet


@dataclass(frozen=True, slots=True)
class Travels:
    """One entry per gap of a window, as columns.

    before, after: rows of the beads around it. first, last: half-open range of its active rows. length: XY way of the
    active rows, mm. z0, z1, top: Z at their start, end and highest, mm. height: Z of the bead before, mm. speed:
    highest feed of its XY moves, mm/s. retracted 0/1. reason: index of `REASONS`. layer from 1. label: of `before`.
    to_tool: 1 where the active rows end at a tool change.
    """

    before: NDArray[np.int64]
    after: NDArray[np.int64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    retracted: NDArray[np.int64]
    reason: NDArray[np.int64]
    layer: NDArray[np.int64]
    label: NDArray[np.int64]
    to_tool: NDArray[np.int64]
    length: NDArray[np.float64]
    z0: NDArray[np.float64]
    z1: NDArray[np.float64]
    top: NDArray[np.float64]
    height: NDArray[np.float64]
    speed: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.before)


class TravelFinder:
    """Finds the travels of one window after the other; keeps retraction, layer and certainty in between.

    begin_line: line of the bead with which the print begins; gaps before it are left alone.
    """

    def __init__(self, begin_line: int) -> None:
        self._depth = np.zeros(TOOLS)
        self._floats = np.zeros(3)
        self._ints = np.zeros(5, np.int64)
        self._ints[V_BEGIN_LINE] = begin_line

    def find(self, moves: Moves) -> Travels:
        """The travels of the window, in order."""
        # Room for as many travels as rows; what isn't used is never touched.
        ints, floats = np.empty((INTS, len(moves)), np.int64), np.empty((FLOATS, len(moves)))
        n = _find(
            moves.kind, moves.code, moves.known, moves.words, moves.label, moves.tool, moves.line, moves.x, moves.y,
            moves.z, moves.frame, moves.frames,
            moves.de, moves.f, moves.value, self._depth, self._floats, self._ints, ints, floats,
        )  # fmt: skip
        return Travels(*ints[:, :n], *floats[:, :n])


@kernel
def _reason_of(
    b: int, r: int, first: int, last: int, kind: np.ndarray, code: np.ndarray, known: np.ndarray, words: np.ndarray,
    z: np.ndarray, value: np.ndarray,
) -> int:  # fmt: skip
    """Why the gap between the bead at b and row r must stay as it is; FREE if it needn't. The strongest reason counts.

    r: the next bead, or the tool change at which the travel ends.
    """
    for g in range(b + 1, r):
        if kind[g] == WALL or kind[g] == TOOL:
            return AT_WALL
    if known[b] == 0 or (kind[r] == BEAD and known[r] == 0):
        return UNKNOWN
    for g in range(b + 1, r):
        if kind[g] == DWELL:
            return DWELLS
        if words[g] & W_PLANE:
            return PLANE
        if kind[g] == SET and value[g] != 0.0:
            return SHIFTED
    if first > last:
        return ORDER
    z0, z1 = z[first - 1], z[last - 1]
    lowest = min(z0, z1)
    falling = False
    for g in range(first, last):
        if known[g] == 0:
            return UNKNOWN
        if kind[g] == TRAVEL:
            if words[g] & W_ODD:
                return SHARED
            # A full turn that climbs is a lift of the job's own; at one height it is a motion that must stay.
            if code[g] >= 2 and (not words[g] & W_TURN or abs(z[g] - z[g - 1]) <= SAME_MM):
                return ARC
        if z[g] < lowest - SAME_MM:
            return DIPS
        if z[g] < z[g - 1] - SAME_MM:
            falling = True
        elif z[g] > z[g - 1] + SAME_MM and falling:
            return SEVERAL
    return FREE


@inlined
def _meets_grid(place: float, shift: float, scale: float) -> bool:
    """Can the place be written with nine decimals in these units?"""
    logical = (place - shift) / scale
    off: float = np.rint(logical * 1e9) / 1e9 - logical
    return abs(off) * scale < GRID_MM


@kernel
def _is_exact(
    first: int, last: int, kind: np.ndarray, x: np.ndarray, y: np.ndarray, z: np.ndarray, frame: np.ndarray,
    frames: np.ndarray,
) -> bool:  # fmt: skip
    """Can every place and both heights be met exactly? What was written in mm has no end in inches."""
    for g in range(first, last):
        r = frame[g]
        scale = frames[R_SCALE, r]
        if kind[g] != TRAVEL or scale == 1.0:
            continue
        shift = frames[R_Z, r]
        if not (
            _meets_grid(x[g - 1], frames[R_X, r], scale)
            and _meets_grid(x[g], frames[R_X, r], scale)
            and _meets_grid(y[g - 1], frames[R_Y, r], scale)
            and _meets_grid(y[g], frames[R_Y, r], scale)
            and _meets_grid(z[first - 1], shift, scale)
            and _meets_grid(z[last - 1], shift, scale)
        ):
            return False
    return True


@kernel
def _goes_on(begin: int, end: int, kind: np.ndarray, x: np.ndarray, y: np.ndarray) -> bool:
    """Is there way behind the first prime?"""
    for g in range(begin, end):  # noqa: SIM110  (kernels know no generators)
        if kind[g] == TRAVEL and (x[g] != x[g - 1] or y[g] != y[g - 1]):
            return True
    return False


@kernel
def _follow_layer(z: float, floats: np.ndarray, ints: np.ndarray) -> None:
    """Count the layer of a bead whose place is known; the first one that lies above a hole whole closes it."""
    if ints[V_LAYER] == 0 or z < floats[V_LAYER_Z] - max(1.5 * floats[V_LAYER_H], LAYER_STEP_MM):
        if ints[V_LAYER] > 0:
            # Where a hole is not covered yet, it may reach into the new stack: its first layer counts as part of it.
            ints[V_KNOWN_FROM] = OPEN if ints[V_KNOWN_FROM] > ints[V_LAYER] else 0
            floats[V_HOLE_Z] = z
        ints[V_LAYER] = 1
        floats[V_LAYER_Z] = z
        floats[V_LAYER_H] = 0.0
    elif z > floats[V_LAYER_Z] + LAYER_STEP_MM:
        ints[V_LAYER] += 1
        floats[V_LAYER_H] = z - floats[V_LAYER_Z]
        floats[V_LAYER_Z] = z
    else:
        return
    if ints[V_KNOWN_FROM] == OPEN and z > floats[V_HOLE_Z] + LAYER_STEP_MM:
        ints[V_KNOWN_FROM] = ints[V_LAYER] + 1


@kernel
def _find(
    kind: np.ndarray, code: np.ndarray, known: np.ndarray, words: np.ndarray, label: np.ndarray, tool: np.ndarray,
    line: np.ndarray, x: np.ndarray, y: np.ndarray, z: np.ndarray, frame: np.ndarray, frames: np.ndarray,
    de: np.ndarray, f: np.ndarray, value: np.ndarray, depth: np.ndarray, floats: np.ndarray, ints: np.ndarray,
    it: np.ndarray, ft: np.ndarray,
) -> int:  # fmt: skip
    """Fill the tables `it`, `ft` with the gaps of the window; returns how many there are."""
    n = 0
    b = 0  # row of the last bead; row 0 stands for the one of the window before
    first = 1
    push = 0
    # The gap's first tool change, -1 if another wall stands before it, and what is known of the way up to it.
    to, first_to, last_to, retracted_to = 0, 0, 0, 0
    retracted = 1 if depth[max(0, tool[0])] > RETRACTED_MM or ints[V_FW] == 1 else 0
    for r in range(1, len(kind)):
        k = kind[r]
        t = max(0, tool[r])
        if k == BEAD:
            if r > b + 1:
                to_tool = to > 0 and _goes_on(first_to, last_to, kind, x, y)
                if to_tool:
                    first, last, retracted = first_to, last_to, retracted_to
                else:
                    last = push if push > 0 else r
                length = 0.0
                speed = 0.0
                top = max(z[first - 1], z[last - 1])
                begin, end = (first, last) if first <= last else (b + 1, r)
                for g in range(begin, end):
                    if kind[g] == TRAVEL:
                        way = math.hypot(x[g] - x[g - 1], y[g] - y[g - 1])
                        length += way
                        if way > 0.0:
                            speed = max(speed, f[g] * frames[R_SCALE, frame[g]] / 60.0)
                        top = max(top, z[g])
                if length == 0.0:
                    reason = ORDER if ints[V_STARTED] == 1 and _goes_on(last, r, kind, x, y) else NO_WAY
                elif ints[V_STARTED] == 0:
                    reason = BEFORE
                else:
                    reason = _reason_of(b, to if to_tool else r, first, last, kind, code, known, words, z, value)
                    if reason == FREE:
                        if ints[V_LAYER] < ints[V_KNOWN_FROM]:
                            reason = HOLE
                        elif speed <= 0.0:
                            reason = NO_FEED
                        elif not _is_exact(first, last, kind, x, y, z, frame, frames):
                            reason = INEXACT
                it[T_BEFORE, n] = b
                it[T_AFTER, n] = r
                it[T_FIRST, n] = first
                it[T_LAST, n] = last
                it[T_RETRACTED, n] = retracted
                it[T_REASON, n] = reason
                it[T_LAYER, n] = ints[V_LAYER]
                it[T_LABEL, n] = label[b]
                it[T_TO_TOOL, n] = 1 if to_tool else 0
                ft[T_LENGTH, n] = length
                ft[T_Z0, n] = z[first - 1]
                ft[T_Z1, n] = z[last - 1]
                ft[T_TOP, n] = top
                ft[T_HEIGHT, n] = z[b]
                ft[T_SPEED, n] = speed
                n += 1
            if ints[V_STARTED] == 0 and line[r] >= ints[V_BEGIN_LINE]:
                ints[V_STARTED] = 1
            if ints[V_STARTED] == 1:
                if known[r] == 1:
                    if z[r] != floats[V_LAYER_Z] or ints[V_LAYER] == 0:
                        _follow_layer(z[r], floats, ints)
                else:
                    # Its Z counts as far as it was stated, which may be in the layer above the last known bead.
                    ints[V_KNOWN_FROM] = OPEN
                    floats[V_HOLE_Z] = max(z[r], floats[V_LAYER_Z])
            if depth[t] != 0.0:
                depth[t] = max(0.0, depth[t] - de[r])
            b = r
            first = r + 1
            push = to = 0
            retracted = 1 if depth[t] > RETRACTED_MM or ints[V_FW] == 1 else 0
        elif k == WIPE or k == RETRACT or k == FW_RETRACT:
            if k == FW_RETRACT:
                ints[V_FW] = 1
            else:
                depth[t] -= de[r]
            first = r + 1
            retracted = 1 if depth[t] > RETRACTED_MM or ints[V_FW] == 1 else 0
        elif k == PRIME or k == FW_PRIME:
            if k == FW_PRIME:
                ints[V_FW] = 0
            else:
                depth[t] = max(0.0, depth[t] - de[r])
            if push == 0:
                push = r
        elif (k == WALL or k == TOOL) and to == 0:
            to = r if k == TOOL and tool[r] >= 0 else -1
            first_to, last_to, retracted_to = first, push if push > 0 else r, retracted
    return n
