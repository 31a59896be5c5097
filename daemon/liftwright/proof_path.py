"""The path of an edited travel: may it be touched at all, is it still the same way, does it stay within the limits?

In: the rows of one gap in both files. Out: findings for promises 3 (untouchable), 4 (bounds) and 5 (way).

1. Ways are compared vertex by vertex as exact numbers; only vertices of our own may lie between two of the job's, and
   only within WAY_TOLERANCE of the straight line, never going back.
2. A full turn that also moves Z is a lift of the job's own and may be missing; any other arc must be there unchanged.
3. Heights are compared exactly, speeds with SPEED_SLACK, since they come from a square root.
"""

import math

import numpy as np

from liftwright.proof_gap import (
    BELOW,
    OFF_THE_WAY,
    OUTSIDE,
    TOO_FAST,
    TOO_HIGH,
    WAY_ADDED,
    WAY_CUT,
    Z_TOO_FAST,
    active,
    report,
)
from liftwright.proof_reader import (
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
    MOVES_XY,
    NUMBERED,
    QX,
    QXY,
    QY,
    RF,
    RI,
    RJ,
    RP,
    RR,
    RX,
    RY,
    RZ,
    UNSURE,
    WALL,
    X,
    Y,
    Z,
)
from liftwright.proof_words import SCALE, TOP, kernel, mix

WAY_TOLERANCE = 0.002  # mm; what rounding to three decimals can do (0.0007 mm), or to four in inches (0.0018 mm)
SPEED_SLACK = 1e-6  # relative; far above the error of float64, far below anything a machine resolves

# Limits: one float64 array.
BED_KIND, BED_A, BED_B, BED_C, BED_D, Z_MAX, Z_SPEED, OWN_LIFT = range(8)
NO_BED, RECT_BED, ROUND_BED = 0.0, 1.0, 2.0

# Why a travel may not be touched.
BEFORE_PRINT, AFTER_PRINT, HAS_WALL, HAS_DWELL, IS_NUMBERED, POSITION_UNKNOWN, E_MODE_UNKNOWN = range(1, 8)
LIFT_TOO_TALL, DIPS, TWO_RISES, TOO_LONG, FIRMWARE_LIFTS, NO_WAY, OTHER_FRAME = range(8, 15)


@kernel
def untouchable(la: np.ndarray, na: int, start: np.ndarray, limits: np.ndarray) -> tuple[int, int]:
    """The reason why a gap with these rows and this state before it may not be edited, and its row; (0, -1) if none."""
    if start[KNOWN] | KNOW_E != KNOW_ALL:
        return POSITION_UNKNOWN, 0
    if start[FRAME] != 0:
        return OTHER_FRAME, 0
    for k in range(na + 1):
        if la[k, KIND] == WALL:
            return HAS_WALL, k
        if la[k, KIND] == DWELL:
            return HAS_DWELL, k
        if la[k, FLAGS] & NUMBERED:
            return IS_NUMBERED, k
        if la[k, FLAGS] & UNSURE:
            return E_MODE_UNKNOWN, k
    if start[FIRMWARE_LIFT] != 0:
        latched = start[LATCHED] != 0
        for k in range(na):
            latched = latched or la[k, CODE] == 100
        if latched:
            return FIRMWARE_LIFTS, 0
    return _own_lift(la, na, start, limits)


@kernel
def _own_lift(la: np.ndarray, na: int, start: np.ndarray, limits: np.ndarray) -> tuple[int, int]:
    """Whether the job's own heights in the active rows are a plain lift, no taller than may be replaced."""
    first, last = active(la, na)
    if _next_way(la, first, last) == last:
        return NO_WAY, first
    z0 = la[first - 1, RZ] if first > 0 else start[Z]
    z1 = la[last - 1, RZ]
    z, falls, rising, falling = z0, 0, False, False
    for k in range(first, last):
        now = la[k, RZ]
        if now < min(z0, z1):
            return DIPS, k
        if float(now - max(z0, z1)) > limits[OWN_LIFT] * SCALE:
            return LIFT_TOO_TALL, k
        if now > z:
            rising, falling = True, False
        elif now < z:
            if rising and not falling:
                falls += 1
            falling = True
        if falls > 1:
            return TWO_RISES, k
        z = now
    return 0, -1


@kernel
def _next_way(rows: np.ndarray, k: int, last: int) -> int:
    """The next row from `k` on that moves in XY."""
    while k < last and not (rows[k, KIND] == MOVE and rows[k, FLAGS] & MOVES_XY):
        k += 1
    return k


@kernel
def _same_arc(ra: np.ndarray, rb: np.ndarray) -> bool:
    same = ra[CODE] == rb[CODE] and ra[RX] == rb[RX] and ra[RY] == rb[RY] and ra[QXY] == rb[QXY]
    return bool(same and ra[RI] == rb[RI] and ra[RJ] == rb[RJ] and ra[RR] == rb[RR] and ra[RP] == rb[RP])


@kernel
def _on_the_line(px: int, py: int, x: int, y: int, vx: int, vy: int, so_far: float) -> tuple[bool, float]:
    """(Whether the vertex v lies on the line p to (x, y) and not behind `so_far`, how far along it lies); mm."""
    dx, dy = (x - px) / SCALE, (y - py) / SCALE
    ex, ey = (vx - px) / SCALE, (vy - py) / SCALE
    length = math.hypot(dx, dy)
    along = (ex * dx + ey * dy) / length
    off = abs(ex * dy - ey * dx) / length
    inside = -WAY_TOLERANCE <= along <= length + WAY_TOLERANCE and along >= so_far - WAY_TOLERANCE
    return inside and off <= WAY_TOLERANCE, max(along, so_far)


@kernel
def _follow(
    lb: np.ndarray, j: int, b1: int, px: int, py: int, x: int, y: int, q: int, feed: int
) -> tuple[int, int, int]:
    """Follow one straight way of the job, from p to (x, y): (what is wrong or 0, row behind it, first row too fast)."""
    so_far, fast = 0.0, -1
    while True:
        if j >= b1 or lb[j, CODE] >= 20:
            return WAY_CUT, j, fast
        vx, vy = lb[j, RX], lb[j, RY]
        if fast < 0 and lb[j, RF] > feed:
            fast = j
        if vx == x and vy == y and lb[j, QXY] == q:
            return 0, _next_way(lb, j + 1, b1), fast
        if x == px and y == py:
            return OFF_THE_WAY, j, fast
        on_it, so_far = _on_the_line(px, py, x, y, vx, vy, so_far)
        if not on_it:
            return OFF_THE_WAY, j, fast
        j = _next_way(lb, j + 1, b1)


@kernel
def same_way(
    la: np.ndarray, a0: int, a1: int, lb: np.ndarray, b0: int, b1: int, start_a: np.ndarray
) -> tuple[int, int, int, int]:
    """Compare the XY ways of the active rows.

    Returns (what is wrong or 0, row in the original, row rewritten, first rewritten row that is faster than the job was
    on that piece of the way, or -1).
    """
    px = la[a0 - 1, RX] if a0 > 0 else start_a[X]
    py = la[a0 - 1, RY] if a0 > 0 else start_a[Y]
    pz = la[a0 - 1, RZ] if a0 > 0 else start_a[Z]
    pq = la[a0 - 1, QXY] if a0 > 0 else (start_a[QX] if start_a[QY] == 0 else mix(start_a[QX], start_a[QY]))
    j = _next_way(lb, b0, b1)
    fast = -1
    for i in range(a0, a1):
        if la[i, KIND] != MOVE:
            continue
        x, y, z, q = la[i, RX], la[i, RY], la[i, RZ], la[i, QXY]
        if la[i, CODE] >= 20:
            if j < b1 and _same_arc(la[i], lb[j]):
                if fast < 0 and lb[j, RF] > la[i, RF]:
                    fast = j
                j = _next_way(lb, j + 1, b1)
            elif x != px or y != py or z == pz or q != pq:
                return WAY_CUT, i, j, fast
        elif x != px or y != py or q != pq:
            code, j, hurried = _follow(lb, j, b1, px, py, x, y, q, la[i, RF])
            fast = hurried if fast < 0 else fast
            if code:
                return code, i, j, fast
        px, py, pz, pq = x, y, z, q
    if j < b1:
        return WAY_ADDED, a1, j, fast
    return 0, -1, -1, fast


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


@kernel
def _on_bed(x: float, y: float, limits: np.ndarray) -> bool:
    """Whether the point (mm) lies on the bed, give or take WAY_TOLERANCE."""
    if limits[BED_KIND] == RECT_BED:
        inside_x = limits[BED_A] - WAY_TOLERANCE <= x <= limits[BED_B] + WAY_TOLERANCE
        return bool(inside_x and limits[BED_C] - WAY_TOLERANCE <= y <= limits[BED_D] + WAY_TOLERANCE)
    if limits[BED_KIND] == ROUND_BED:
        return bool(math.hypot(x, y) <= limits[BED_A] + WAY_TOLERANCE)
    return True


@kernel
def _z_too_fast(row: np.ndarray, px: int, py: int, pz: int, percent: int, limits: np.ndarray) -> bool:
    """Whether the move asks more speed of Z than the printer gives."""
    feed = row[RF] / SCALE / 60 * (percent / SCALE / 100)
    rise = abs(row[RZ] - pz) / SCALE
    run = _xy_length(row, px, py)
    return bool(rise > 0 and feed * rise / math.hypot(run, rise) > limits[Z_SPEED] * (1 + SPEED_SLACK))


@kernel
def bounds(
    la: np.ndarray,
    a0: int,
    a1: int,
    lb: np.ndarray,
    b0: int,
    b1: int,
    start_a: np.ndarray,
    percent: int,
    limits: np.ndarray,
) -> tuple[int, int]:
    """Check the active rewritten rows against the limits: (0, -) or (what is wrong, row rewritten)."""
    z0 = la[a0 - 1, RZ] if a0 > 0 else start_a[Z]
    z1 = la[a1 - 1, RZ] if a1 > 0 else start_a[Z]
    left, right, front, back = TOP, -TOP, TOP, -TOP
    for k in range(max(a0 - 1, 0), a1):
        left, right = min(left, la[k, RX]), max(right, la[k, RX])
        front, back = min(front, la[k, RY]), max(back, la[k, RY])
    if a0 == 0:
        left, right = min(left, start_a[X]), max(right, start_a[X])
        front, back = min(front, start_a[Y]), max(back, start_a[Y])
    px = lb[b0 - 1, RX] if b0 > 0 else start_a[X]
    py = lb[b0 - 1, RY] if b0 > 0 else start_a[Y]
    pz = lb[b0 - 1, RZ] if b0 > 0 else start_a[Z]
    slack = int(WAY_TOLERANCE * SCALE)
    for k in range(b0, b1):
        row = lb[k]
        if row[KIND] != MOVE:
            continue
        x, y, z = row[RX], row[RY], row[RZ]
        if z < min(z0, z1):
            return BELOW, k
        if float(z) > limits[Z_MAX] * SCALE:
            return TOO_HIGH, k
        boxed = left - slack <= x <= right + slack and front - slack <= y <= back + slack
        if not boxed and not _on_bed(x / SCALE, y / SCALE, limits):
            return OUTSIDE, k
        if _z_too_fast(row, px, py, pz, percent, limits):
            return Z_TOO_FAST, k
        px, py, pz = x, y, z
    return 0, -1


@kernel
def judge_path(
    la: np.ndarray,
    na: int,
    line_a: int,
    lb: np.ndarray,
    nb: int,
    line_b: int,
    start_a: np.ndarray,
    percent: int,
    limits: np.ndarray,
    found: np.ndarray,
    count: int,
    seen: int,
) -> tuple[int, int]:
    """Report what promises 4 and 5 say about one edited gap."""
    a0, a1 = active(la, na)
    b0, b1 = active(lb, nb)
    code, i, j, fast = same_way(la, a0, a1, lb, b0, b1, start_a)
    if code:
        count, seen = report(found, count, seen, 5, code, line_a + i, la[i], line_b + j, lb[j], 0)
    code, j = bounds(la, a0, a1, lb, b0, b1, start_a, percent, limits)
    if code:
        count, seen = report(found, count, seen, 4, code, line_a + a0, la[a0], line_b + j, lb[j], 0)
    elif fast >= 0:
        count, seen = report(found, count, seen, 4, TOO_FAST, line_a + a0, la[a0], line_b + fast, lb[fast], 0)
    return count, seen
