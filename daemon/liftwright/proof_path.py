"""Is the XY way of an edited travel still the same? Promise 5, and the feed on each piece of it (promise 4).

1. Ways are compared vertex by vertex as exact numbers; only vertices of our own may lie between two of the job's, and
   only within WAY_TOLERANCE of the straight line, never going back.
2. A full turn that also moves Z is a lift of the job's own and may be missing; any other arc must be there unchanged.
3. On no piece of the way is the rewritten travel faster than the job was there.
"""

import math

import numpy as np

from liftwright.proof_finding import OFF_THE_WAY, WAY_ADDED, WAY_CUT, Side, before
from liftwright.proof_state import CODE, FLAGS, KIND, MOVE, MOVES_XY, QX, QXY, QY, RF, RI, RJ, RP, RR, RX, RY, RZ
from liftwright.proof_words import SCALE, kernel, merged, mix

WAY_TOLERANCE = 0.002  # mm; what rounding to three decimals can do (0.0007 mm), or to four in inches (0.0018 mm)


@merged
def next_way(side: Side, k: int, last: int) -> int:
    """The next row from `k` on that moves in XY."""
    while k < last and not (side.rows[k, KIND] == MOVE and side.rows[k, FLAGS] & MOVES_XY):
        k += 1
    return k


@kernel
def _same_arc(ra: np.ndarray, rb: np.ndarray) -> bool:
    for k in (CODE, RX, RY, QXY, RI, RJ, RR, RP):  # noqa: SIM110 (a generator would not compile)
        if ra[k] != rb[k]:
            return False
    return True


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
def _follow(b: Side, j: int, b1: int, px: int, py: int, to: np.ndarray) -> tuple[int, int, int]:
    """Follow one straight way of the job, p to row `to`: (what is wrong or 0, row behind it, row too fast or -1)."""
    so_far, fast = 0.0, -1
    while True:
        row = b.rows[j]
        if j >= b1 or row[CODE] >= 20:
            return WAY_CUT, j, fast
        if fast < 0 and row[RF] > to[RF]:
            fast = j
        if row[RX] == to[RX] and row[RY] == to[RY] and row[QXY] == to[QXY]:
            return 0, next_way(b, j + 1, b1), fast
        if to[RX] == px and to[RY] == py:
            return OFF_THE_WAY, j, fast
        on_it, so_far = _on_the_line(px, py, to[RX], to[RY], row[RX], row[RY], so_far)
        if not on_it:
            return OFF_THE_WAY, j, fast
        j = next_way(b, j + 1, b1)


@kernel
def same_way(a: Side, a0: int, a1: int, b: Side, b0: int, b1: int) -> tuple[int, int, int, int]:
    """Compare the XY ways of the active rows.

    Returns (what is wrong or 0, row in the original, row rewritten, first rewritten row that is faster than the job was
    on that piece of the way, or -1).
    """
    px, py, pz = before(a, a0, 0), before(a, a0, 1), before(a, a0, 2)
    start = a.start
    pq = a.rows[a0 - 1, QXY] if a0 > 0 else (start[QX] if start[QY] == 0 else mix(start[QX], start[QY]))
    j = next_way(b, b0, b1)
    fast = -1
    for i in range(a0, a1):
        row = a.rows[i]
        if row[KIND] != MOVE:
            continue
        still = row[RX] == px and row[RY] == py and row[QXY] == pq
        if row[CODE] >= 20:
            if j < b1 and _same_arc(row, b.rows[j]):
                fast = j if fast < 0 and b.rows[j, RF] > row[RF] else fast
                j = next_way(b, j + 1, b1)
            elif not still or row[RZ] == pz:
                return WAY_CUT, i, j, fast
        elif not still:
            code, j, hurried = _follow(b, j, b1, px, py, row)
            fast = hurried if fast < 0 else fast
            if code:
                return code, i, j, fast
        px, py, pz, pq = row[RX], row[RY], row[RZ], row[QXY]
    if j < b1:
        return WAY_ADDED, a1, j, fast
    return 0, -1, -1, fast
