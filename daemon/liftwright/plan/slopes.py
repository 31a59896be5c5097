"""The slope at which a lift costs least time: a travel and the machine's limits go in, rise over run comes out.

A slope is free while climbing along it slows nothing:

1. Z's limits, scaled onto the sloped move, bind no earlier than those of XY: at most v_z/v and a_z/a (Klipper,
   klippy/kinematics/cartesian.py).
2. The bend between slope and level may be passed at v. A bend is as sharp as the slope itself, so per-axis jerk allows
   J_z/v, and a junction deviation the angle φ with v² = a·δ·s/(1 − s), s = cos(φ/2) (`lane.py` names the sources).

Where the travel is too short for the free slope, the lift is as gentle as the travel lets it be: all of the way goes
into climbing and falling. Then a short level top may cost less than a peak: two bends, each half as sharp as one peak.
The best of a few such tops is found by timing the travel with the very kernels that time the job; tops so short that Z
takes both bends as one jolt are left out, whatever the model makes of them.

The travel is taken as straight, along X, and from rest to rest, as between retraction and prime. It refuses nothing.
"""

from math import acos, hypot, sqrt, tan

import numpy as np

from liftwright.kernels import kernel
from liftwright.plan.lane import N_STATE, Q_T, push_move, settle, settle_smoothed
from liftwright.plan.limits import (
    AXIS_JERK,
    JUNCTION_DEVIATION,
    L_AZ,
    L_CRUISE,
    L_DEVIATION,
    L_FEED_FACTOR,
    L_JZ,
    L_MODEL,
    L_SPEED,
    L_TRAVEL,
    L_VZ,
    MODELS,
)

SCRATCH = 3  # moves of a lift
ROOMY_MM = 1.0  # a level top as long as this is passed at full speed; shorter ones are timed
TOPS_MM = (0.1, 0.2, 0.3, 0.4, 1.0)  # level tops that are tried beside a peak
STEEP = 1.5  # rad; a sharper bend binds nothing
_JERK, _DEVIATION = MODELS.index(AXIS_JERK), MODELS.index(JUNCTION_DEVIATION)


def free_slope(speed: float, lim: np.ndarray) -> float:
    """The steepest slope that costs no time at `speed` (mm/s), under the limits `lim` (columns L_* of limits.py)."""
    accel = lim[L_TRAVEL]
    slope = min(lim[L_VZ] / speed, lim[L_AZ] / accel)
    if lim[L_MODEL] == _JERK:
        bend = lim[L_JZ] / speed
    else:
        if lim[L_MODEL] == _DEVIATION:
            accel = min(accel, lim[L_AZ])  # such a bend changes next to nothing but Z's speed
        ratio = speed * speed / (accel * lim[L_DEVIATION])
        bend = tan(min(2.0 * acos(ratio / (1.0 + ratio)), STEEP))
    free: float = min(slope, bend)
    return free


_free_slope = kernel(free_slope)


@kernel
def least_slope(
    length: float, climb: float, fall: float, speed: float, steepest: float, lim: np.ndarray, queue: np.ndarray,
    state: np.ndarray,
) -> float:  # fmt: skip
    """The slope up and down that takes least time on a travel of `length` mm that climbs and falls by `climb`, `fall`.

    At most `steepest`, unless the travel is too short for that: then what a peak needs. queue, state: scratch of
    N_QUEUE × SCRATCH and N_STATE.
    """
    rise = climb + fall
    gentlest = rise / length
    if gentlest >= steepest:
        return gentlest
    accel = lim[L_TRAVEL]
    reached = min(min(speed * lim[L_FEED_FACTOR], lim[L_SPEED]), sqrt(accel * length))
    free = min(_free_slope(reached, lim), steepest)
    if length - rise / free >= ROOMY_MM:
        return free
    best = gentlest
    least = _lift_seconds(length, climb, fall, speed, best, lim, queue, state)
    for k in range(len(TOPS_MM) + 1):
        slope = free if k == len(TOPS_MM) else rise / max(length - TOPS_MM[k], 1e-9)
        if gentlest < slope <= steepest:
            seconds = _lift_seconds(length, climb, fall, speed, slope, lim, queue, state)
            if seconds < least:
                least, best = seconds, slope
    return best


@kernel
def _lift_seconds(
    length: float, climb: float, fall: float, speed: float, slope: float, lim: np.ndarray, queue: np.ndarray,
    state: np.ndarray,
) -> float:  # fmt: skip
    """Seconds of a travel from rest to rest that climbs at a slope, goes along and falls at it."""
    for k in range(N_STATE):
        state[k] = 0.0
    up, down = climb / slope, fall / slope
    n = _push(up, climb, speed, lim, queue, 0, state)
    n = _push(length - up - down, 0.0, speed, lim, queue, n, state)
    n = _push(down, -fall, speed, lim, queue, n, state)
    if lim[L_CRUISE] > 0.0:
        settle_smoothed(queue, n, True)
    else:
        settle(queue, n, True)
    seconds = 0.0
    for k in range(n):
        seconds += queue[Q_T, k]
    return seconds


@kernel
def _push(
    along: float, rise: float, speed: float, lim: np.ndarray, queue: np.ndarray, n: int, state: np.ndarray
) -> int:
    """One move at column n of the queue; returns the next column."""
    way = hypot(along, rise)
    if along < 1e-6:
        return n
    push_move(queue, n, state, lim, along, 0.0, rise, way, 0.0, speed)
    return n + 1
