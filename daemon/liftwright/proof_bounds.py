"""Does an edited travel stay within the limits (promise 4), and may it be edited at all (promise 3)?

Heights are compared exactly, speeds with SPEED_SLACK, since they come from a square root.
"""

import math

import numpy as np

from liftwright.proof_finding import BELOW, OUTSIDE, TOO_FAST, TOO_HIGH, Z_TOO_FAST, Found, Side, before, report
from liftwright.proof_lines import active, tool_change_of
from liftwright.proof_path import WAY_TOLERANCE, next_way, same_way
from liftwright.proof_state import (
    CODE,
    DWELL,
    FIRMWARE_LIFT,
    FLAGS,
    FRAME,
    KIND,
    KNOW_ALL,
    KNOW_E,
    KNOWN,
    LATCHED,
    MOVE,
    NUMBERED,
    RF,
    RI,
    RJ,
    RR,
    RX,
    RY,
    RZ,
    UNSURE,
    WALL,
)
from liftwright.proof_words import SCALE, kernel, merged

SPEED_SLACK = 1e-6  # relative; far above the error of float64, far below anything a machine resolves

# Limits: one float64 array.
BED_KIND, BED_A, BED_B, BED_C, BED_D, Z_MAX, Z_SPEED, OWN_LIFT = range(8)
NO_BED, RECT_BED, ROUND_BED = 0.0, 1.0, 2.0

# Why a travel may not be touched.
BEFORE_PRINT, AFTER_PRINT, HAS_WALL, HAS_DWELL, IS_NUMBERED, POSITION_UNKNOWN, E_MODE_UNKNOWN = range(1, 8)
LIFT_TOO_TALL, DIPS, TWO_RISES, TOO_LONG, FIRMWARE_LIFTS, NO_WAY, OTHER_FRAME = range(8, 15)


@kernel
def untouchable(a: Side, limits: np.ndarray) -> int:
    """The reason why the gap may not be edited, or 0."""
    if a.start[KNOWN] | KNOW_E != KNOW_ALL:
        return POSITION_UNKNOWN
    if a.start[FRAME] != 0:
        return OTHER_FRAME
    latched = a.start[LATCHED] != 0
    stop = tool_change_of(a)
    for k in range(stop + (stop == a.n)):
        kind, flags = a.rows[k, KIND], a.rows[k, FLAGS]
        if kind == WALL:
            return HAS_WALL
        if kind == DWELL:
            return HAS_DWELL
        if flags & NUMBERED:
            return IS_NUMBERED
        if flags & UNSURE:
            return E_MODE_UNKNOWN
        latched = latched or a.rows[k, CODE] == 100
    if latched and a.start[FIRMWARE_LIFT] != 0:
        return FIRMWARE_LIFTS
    return _own_lift(a, limits)


@merged
def _own_lift(a: Side, limits: np.ndarray) -> int:
    """Whether the job's own heights in the active rows are a plain lift, no taller than may be replaced."""
    first, last = active(a)
    if next_way(a, first, last) == last:
        return NO_WAY
    z0, z1 = before(a, first, 2), a.rows[last - 1, RZ]
    z, falls, rising, falling = z0, 0, False, False
    for k in range(first, last):
        now = a.rows[k, RZ]
        if now < min(z0, z1):
            return DIPS
        if float(now - max(z0, z1)) > limits[OWN_LIFT] * SCALE:
            return LIFT_TOO_TALL
        if now > z:
            rising, falling = True, False
        elif now < z:
            if rising and not falling:
                falls += 1
            falling = True
        if falls > 1:
            return TWO_RISES
        z = now
    return 0


@kernel
def _xy_length(row: np.ndarray, px: int, py: int) -> float:
    """XY length of a move in mm; of an arc along the arc, at most one turn (the firmware's further turns only help)."""
    dx, dy = (row[RX] - px) / SCALE, (row[RY] - py) / SCALE
    chord = math.hypot(dx, dy)
    if row[CODE] < 20:
        return chord
    if row[RR] != 0:
        radius = row[RR] / SCALE
        half = math.asin(min(1.0, chord / 2 / abs(radius)))
        return float(abs(radius) * 2 * (half if radius > 0 else math.pi - half))
    ci, cj = row[RI] / SCALE, row[RJ] / SCALE
    sweep = math.atan2(dy - cj, dx - ci) - math.atan2(-cj, -ci)
    if row[CODE] == 20:
        sweep = -sweep
    if sweep <= 1e-9:
        sweep += 2 * math.pi
    return math.hypot(ci, cj) * sweep


@merged
def _on_bed(x: float, y: float, limits: np.ndarray) -> bool:
    """Whether the point (mm) lies on the bed, give or take WAY_TOLERANCE."""
    if limits[BED_KIND] == RECT_BED:
        inside_x = limits[BED_A] - WAY_TOLERANCE <= x <= limits[BED_B] + WAY_TOLERANCE
        return bool(inside_x and limits[BED_C] - WAY_TOLERANCE <= y <= limits[BED_D] + WAY_TOLERANCE)
    if limits[BED_KIND] == ROUND_BED:
        return bool(math.hypot(x, y) <= limits[BED_A] + WAY_TOLERANCE)
    return True


@kernel
def _in_the_box(a: Side, first: int, last: int, axis: int, value: int) -> bool:
    """Whether X (0) or Y (1) lies within the job's own points of the active rows."""
    low = high = before(a, first, axis)
    for k in range(first, last):
        low, high = min(low, a.rows[k, RX + axis]), max(high, a.rows[k, RX + axis])
    slack = int(WAY_TOLERANCE * SCALE)
    return bool(low - slack <= value <= high + slack)


@merged
def _z_too_fast(b: Side, k: int, percent: int, limits: np.ndarray) -> bool:
    """Whether the move asks more speed of Z than the printer gives."""
    row = b.rows[k]
    rise = abs(row[RZ] - before(b, k, 2)) / SCALE
    if rise == 0:
        return False
    feed = row[RF] / SCALE / 60 * (percent / SCALE / 100)
    return bool(
        feed * rise / math.hypot(_xy_length(row, before(b, k, 0), before(b, k, 1)), rise)
        > limits[Z_SPEED] * (1 + SPEED_SLACK)
    )


@merged
def _beyond(a: Side, b: Side, percent: int, limits: np.ndarray) -> tuple[int, int]:
    """Check the active rewritten rows against the limits: (what is wrong or 0, row)."""
    a0, a1 = active(a)
    b0, b1 = active(b)
    low = min(before(a, a0, 2), before(a, a1, 2))
    for k in range(b0, b1):
        row = b.rows[k]
        if row[KIND] != MOVE:
            continue
        x, y, z = row[RX], row[RY], row[RZ]
        if z < low:
            return BELOW, k
        if float(z) > limits[Z_MAX] * SCALE:
            return TOO_HIGH, k
        if not _on_bed(x / SCALE, y / SCALE, limits) and not (
            _in_the_box(a, a0, a1, 0, x) and _in_the_box(a, a0, a1, 1, y)
        ):
            return OUTSIDE, k
        if _z_too_fast(b, k, percent, limits):
            return Z_TOO_FAST, k
    return 0, -1


@kernel
def judge_path(a: Side, b: Side, percent: int, limits: np.ndarray, found: Found) -> None:
    """Report what promises 4 and 5 say about one edited gap; `percent`: the feed override, in 1e-12."""
    a0, a1 = active(a)
    b0, b1 = active(b)
    code, i, j, fast = same_way(a, a0, a1, b, b0, b1)
    if code:
        report(found, 5, code, a, i, b, j, 0)
    code, j = _beyond(a, b, percent, limits)
    if code:
        report(found, 4, code, a, a0, b, j, 0)
    elif fast >= 0:
        report(found, 4, TOO_FAST, a, a0, b, fast, 0)
