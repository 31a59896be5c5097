"""One lane of planned moves: kernels that limit a move, its corner and its speed, and give its time.

A lane is the queue of moves since the head last stood still, with the limits of each already applied: `queue` float
table (Q_* rows × moves) and `state` (T_*: what the next corner must know of the move before). Speeds are kept squared,
since v² changes linearly along the path: v1² = v0² + 2·a·d (Klipper, docs/Kinematics.md).

1. A move's speed is the lower of its feed along the XYZ path (NIST RS274/NGC §2.1.2.5 A) and each axis's limit divided
   by that axis's share of the path; its acceleration likewise (Klipper, kinematics/cartesian.py).
2. `push_move` lowers a move's starting speed to what its corner allows and what can be reached from the move before;
   `settle` lowers it to what can still be braked from. What no later move can lower any more is final.
3. Where a job ends, dwells or moves the extruder alone the head stands still; nothing before bears on what follows.
"""

from math import sqrt

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.limits import (
    L_AE,
    L_AX,
    L_AY,
    L_AZ,
    L_BEAD,
    L_CRUISE,
    L_DEVIATION,
    L_E_FACTOR,
    L_E_STEP,
    L_FEED_FACTOR,
    L_JE,
    L_JX,
    L_JY,
    L_JZ,
    L_MODEL,
    L_RETRACT,
    L_SPEED,
    L_TRAVEL,
    L_VE,
    L_VX,
    L_VY,
    L_VZ,
)

SQUARE, DEVIATION = 0, 1  # values of L_MODEL; 2 is jerk per axis

# Rows of the queue: length mm, acceleration, highest speed, highest v² at the start; the same acceleration and start
# for the smoothed plan that keeps a share of each move for cruising; time in s; v² at start and end once settled.
Q_D, Q_A, Q_V, Q_START, Q_SMOOTH_A, Q_SMOOTH_START, Q_T, Q_FROM, Q_TO, N_QUEUE = range(10)

# State: position; direction and E per mm of the last move; its acceleration × junction deviation, 2·a·d, v² and v²
# at its start; the smoothed plan's 2·a·d and start; whether the head may be moving at all.
(
    T_X, T_Y, T_Z, T_UX, T_UY, T_UZ, T_UE, T_CORNER, T_GAIN, T_V2, T_START, T_SMOOTH_GAIN, T_SMOOTH_START,
    T_LIVE, N_STATE,
) = range(15)  # fmt: skip

SHORTEST = 1e-9  # mm; below it a move is none (Klipper, toolhead.py)
STRAIGHT = 0.999999  # cosine beyond which a corner is straight on, or a reversal (grbl, planner.c)
BOUNDLESS = 1e18  # mm²/s², above any v²
DEFAULT_FEED = 25.0  # mm/s, where the job has given no F yet (from memory: the firmware's own start value)


@kernel
def share_speed(v: float, share: float, limit: float) -> float:
    """A path speed lowered until an axis with this share of the path keeps its limit."""
    if share * v > limit:
        v = limit / share
    return v


@kernel
def corner_square(state: np.ndarray, ux: float, uy: float, uz: float, corner: float, gain: float) -> float:
    """Highest v² at a corner from the square-corner speed: v² = a·δ·s/(1 − s), s = sin(θ/2), of both moves.

    The circle that stands for the corner must also touch both moves before their middle: v² ≤ ½·a·d·tan(θ/2).
    (Klipper, klippy/toolhead.py `calc_junction`.)
    """
    cosine = -(ux * state[T_UX] + uy * state[T_UY] + uz * state[T_UZ])
    s = sqrt(max(0.5 * (1.0 - cosine), 0.0))
    c = sqrt(max(0.5 * (1.0 + cosine), 0.0))
    if 1.0 - s <= 0.0 or c <= 0.0:
        return BOUNDLESS
    radius = s / (1.0 - s)
    quarter_tan = 0.25 * s / c
    highest: float = min(radius * min(corner, state[T_CORNER]), quarter_tan * min(gain, state[T_GAIN]))
    return highest


@kernel
def corner_deviation(state: np.ndarray, ux: float, uy: float, uz: float, a: float, lim: np.ndarray) -> float:
    """Highest v² at a corner from the junction deviation: v² = a·δ·s/(1 − s), s = sin(θ/2) (grbl, planner.c).

    a is the move's own, lowered to what each axis allows along the change of direction (grbl, planner.c; from memory).
    """
    cosine = -(ux * state[T_UX] + uy * state[T_UY] + uz * state[T_UZ])
    if cosine > STRAIGHT:
        return 0.0
    if cosine < -STRAIGHT:
        return BOUNDLESS
    turn = sqrt(2.0 * (1.0 + cosine))  # length of the change of direction
    a = share_speed(a, abs(ux - state[T_UX]) / turn, lim[L_AX])
    a = share_speed(a, abs(uy - state[T_UY]) / turn, lim[L_AY])
    a = share_speed(a, abs(uz - state[T_UZ]) / turn, lim[L_AZ])
    s = sqrt(0.5 * (1.0 - cosine))
    highest: float = a * lim[L_DEVIATION] * s / (1.0 - s)
    return highest


@kernel
def corner_jerk(state: np.ndarray, ux: float, uy: float, uz: float, ue: float, lim: np.ndarray) -> float:
    """Highest v² at which no axis changes its speed by more than its jerk: v ≤ J/|Δu| for each."""
    v = 1e9
    v = share_speed(v, abs(ux - state[T_UX]), lim[L_JX])
    v = share_speed(v, abs(uy - state[T_UY]), lim[L_JY])
    v = share_speed(v, abs(uz - state[T_UZ]), lim[L_JZ])
    v = share_speed(v, abs(ue - state[T_UE]), lim[L_JE])
    return v * v


@kernel
def push_move(
    queue: np.ndarray, n: int, state: np.ndarray, lim: np.ndarray,
    dx: float, dy: float, dz: float, d: float, de: float, feed: float,
) -> None:  # fmt: skip
    """Put a move of the head (d > 0 mm long) at column n of the queue, its start limited by what is known so far."""
    inverse = 1.0 / d
    ux, uy, uz, ue = dx * inverse, dy * inverse, dz * inverse, de * inverse * lim[L_E_FACTOR]
    v = min((feed if feed > 0.0 else DEFAULT_FEED) * lim[L_FEED_FACTOR], lim[L_SPEED])
    a = lim[L_TRAVEL] if de == 0.0 else lim[L_BEAD]
    highest = a
    v = share_speed(v, abs(ux), lim[L_VX])
    v = share_speed(v, abs(uy), lim[L_VY])
    a = share_speed(a, abs(ux), lim[L_AX])
    a = share_speed(a, abs(uy), lim[L_AY])
    if dz != 0.0:
        v = share_speed(v, abs(uz), lim[L_VZ])
        a = share_speed(a, abs(uz), lim[L_AZ])
    square = lim[L_MODEL] == SQUARE
    # The square-corner firmware limits the extruder where it goes back or moves without XY, not along a bead.
    if de != 0.0 and (not square or de < 0.0 or (dx == 0.0 and dy == 0.0)):
        v = share_speed(v, abs(ue), lim[L_VE])
        a = share_speed(a, abs(ue), lim[L_AE])
    v2 = v * v
    gain = 2.0 * a * d
    corner = a * lim[L_DEVIATION]
    smooth_a = min(a, highest * (1.0 - lim[L_CRUISE]))
    start = 0.0
    smooth_start = 0.0
    if state[T_LIVE] > 0.0:
        if square:
            start = corner_square(state, ux, uy, uz, corner, gain)
            step = abs(ue - state[T_UE])
            if step * step * start > lim[L_E_STEP] * lim[L_E_STEP]:
                start = lim[L_E_STEP] * lim[L_E_STEP] / (step * step)
        elif lim[L_MODEL] == DEVIATION:
            start = corner_deviation(state, ux, uy, uz, a, lim)
        else:
            start = corner_jerk(state, ux, uy, uz, ue, lim)
        start = min(min(start, v2), min(state[T_V2], state[T_START] + state[T_GAIN]))
        smooth_start = min(start, state[T_SMOOTH_START] + state[T_SMOOTH_GAIN])
    queue[Q_D, n], queue[Q_A, n], queue[Q_V, n], queue[Q_START, n] = d, a, v, start
    queue[Q_SMOOTH_A, n], queue[Q_SMOOTH_START, n] = smooth_a, smooth_start
    state[T_UX], state[T_UY], state[T_UZ], state[T_UE] = ux, uy, uz, ue
    state[T_CORNER], state[T_GAIN], state[T_V2], state[T_START] = corner, gain, v2, start
    state[T_SMOOTH_GAIN], state[T_SMOOTH_START] = 2.0 * smooth_a * d, smooth_start
    state[T_LIVE] = 1.0


@kernel
def move_seconds(d: float, a: float, start: float, cruise2: float, cruise: float, end: float) -> float:
    """Time of one trapezoid (speeds at start, cruise and end in mm/s; cruise2 = cruise²): v = v0 + a·t on slopes."""
    cruised = d - (2.0 * cruise2 - start * start - end * end) / (2.0 * a)
    return (2.0 * cruise - start - end) / a + max(cruised, 0.0) / cruise


@kernel
def alone_seconds(length: float, v: float, a: float) -> float:
    """Time from rest to rest over a length at most at speed v: a trapezoid, or a triangle where v is never reached."""
    if length <= 0.0:
        return 0.0
    cruise2 = min(v * v, a * length)
    return move_seconds(length, a, 0.0, cruise2, sqrt(cruise2), 0.0)


@kernel
def extruder_seconds(de: float, feed: float, lim: np.ndarray) -> float:
    """Time of a move of the extruder alone, |de| mm of filament at feed mm/s (Klipper, toolhead.py: length = |dE|)."""
    v = min((feed if feed > 0.0 else DEFAULT_FEED) * lim[L_FEED_FACTOR], lim[L_VE])
    return alone_seconds(abs(de) * lim[L_E_FACTOR], v, min(lim[L_RETRACT], lim[L_AE]))


@kernel
def settle(queue: np.ndarray, n: int, closed: bool) -> int:
    """Times (row Q_T) of the first moves of a queue of n; returns how many are final.

    closed: the head stands still after the last move, and all are final. Otherwise only the moves before the last node
    whose speed no braking lowers: a move still to come can raise what comes after that node, never what lies before.
    """
    end2 = 0.0
    end = 0.0
    final = n if closed else 0
    for i in range(n - 1, -1, -1):
        d, a = queue[Q_D, i], queue[Q_A, i]
        reachable = end2 + 2.0 * a * d
        start2 = queue[Q_START, i]
        if start2 <= reachable:
            if final == 0:
                final = i
                end2 = start2
                end = sqrt(start2)
                continue
        else:
            start2 = reachable
        start = sqrt(start2)
        if final > 0:
            v = queue[Q_V, i]
            cruise2 = 0.5 * (start2 + reachable)
            if cruise2 < v * v:
                v = sqrt(cruise2)
            else:
                cruise2 = v * v
            queue[Q_T, i] = move_seconds(d, a, start, cruise2, v, end)
        end2, end = start2, start
    return final


@kernel
def settle_smoothed(queue: np.ndarray, n: int, closed: bool) -> int:
    """As `settle`, where each acceleration and braking must leave a share for cruising (minimum cruise ratio).

    A second plan whose accelerations are lowered by that share gives every peak of speed a highest v². It bounds the
    moves that only climb to the peak, and those that only brake from it (Klipper, toolhead.py, look-ahead queue).
    """
    end2, smooth_end2, peak2 = 0.0, 0.0, 0.0
    final = n if closed else 0
    braking = 0  # moves behind move i that only brake in the second plan and wait for the peak before them
    for i in range(n - 1, -1, -1):
        d = queue[Q_D, i]
        start2 = min(queue[Q_START, i], end2 + 2.0 * queue[Q_A, i] * d)
        smooth_gain = 2.0 * queue[Q_SMOOTH_A, i] * d
        smooth_reachable = smooth_end2 + smooth_gain
        smooth2 = min(queue[Q_SMOOTH_START, i], smooth_reachable)
        queue[Q_FROM, i], queue[Q_TO, i] = start2, end2
        if smooth2 >= smooth_reachable:
            braking += 1
        else:
            peaks = smooth2 + smooth_gain > smooth_end2
            if peaks and final == 0 and i + 1 < n and _is_final(queue, i + 1, end2, smooth_end2):
                final = i + 1
            if peaks or braking > 0:
                v = queue[Q_V, i]
                peak2 = min(v * v, 0.5 * (smooth2 + smooth_reachable))
                if final > 0:
                    _brake_from(queue, i + 1, min(i + 1 + braking, final), peak2)
                braking = 0
            if final > 0:
                _time(queue, i, peak2)
        end2, smooth_end2 = start2, smooth2
    return final


@kernel
def _is_final(queue: np.ndarray, i: int, start2: float, smooth2: float) -> bool:
    """Whether no braking lowers the start of move i in either plan."""
    both: bool = start2 == queue[Q_START, i] and smooth2 == queue[Q_SMOOTH_START, i]
    return both


@kernel
def _brake_from(queue: np.ndarray, first: int, last: int, peak2: float) -> None:
    """Times of moves that only brake from a peak: none is faster than the peak or than any start since."""
    for k in range(first, last):
        peak2 = min(peak2, queue[Q_FROM, k])
        _time(queue, k, peak2)


@kernel
def _time(queue: np.ndarray, i: int, peak2: float) -> None:
    """Time of a settled move that is nowhere faster than the peak."""
    d, a, v = queue[Q_D, i], queue[Q_A, i], queue[Q_V, i]
    start2, end2 = queue[Q_FROM, i], queue[Q_TO, i]
    cruise2 = min(min(0.5 * (start2 + end2) + a * d, v * v), peak2)
    start2, end2 = min(start2, cruise2), min(end2, cruise2)
    queue[Q_T, i] = move_seconds(d, a, sqrt(start2), cruise2, sqrt(cruise2), sqrt(end2))
