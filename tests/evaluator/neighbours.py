"""Which beads lie under a place: lists of beads in squares of a millimetre, the newest first."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

SQUARE_MM = 1.0
REACH_MM = 1.25  # half the widest bead twice over, and a little: a square's list serves whole stations within it
MOST_UNDER = 256
Z_NOISE = 0.01


class Neighbours:
    """Linked lists over the bed: head per square, and for each entry its bead and the entry before it."""

    def __init__(self, origin: np.ndarray, size: tuple[float, float]) -> None:
        self.origin = origin
        self.head = np.full((int(size[0] / SQUARE_MM) + 4, int(size[1] / SQUARE_MM) + 4), -1, np.int64)
        self.bead = np.empty(1024, np.int64)
        self.after = np.empty(1024, np.int64)
        self.used = np.zeros(1, np.int64)

    def reserve(self, ends: np.ndarray, first: int, last: int) -> None:
        """Room for the entries of beads first..last-1."""
        need = self.used[0] + _most_entries(ends, first, last)
        if need > self.bead.size:
            self.bead = np.concatenate([self.bead, np.empty(need, np.int64)])
            self.after = np.concatenate([self.after, np.empty(need, np.int64)])


@njit(cache=True)
def _most_entries(ends, first, last):
    total = 0
    for b in range(first, last):
        length = math.hypot(ends[b, 3] - ends[b, 0], ends[b, 4] - ends[b, 1])
        total += int((length / SQUARE_MM + 2 * REACH_MM + 3) * (2 * REACH_MM + 5))
    return total


@njit(cache=True)
def distance(px, py, ax, ay, bx, by):
    """(distance from p to the segment a-b, share along it of the nearest point)."""
    dx, dy = bx - ax, by - ay
    square = dx * dx + dy * dy
    f = 0.0
    if square > 0.0:
        f = min(1.0, max(0.0, ((px - ax) * dx + (py - ay) * dy) / square))
    return math.hypot(px - ax - f * dx, py - ay - f * dy), f


@njit(cache=True)
def enter(b, ends, origin, head, listed, after, used):
    """Put bead b on the list of every square it may matter to."""
    ax, ay, _, bx, by, _ = ends[b]
    near = REACH_MM + 0.5 * math.sqrt(2.0) * SQUARE_MM
    x0 = max(0, int((min(ax, bx) - near - origin[0]) / SQUARE_MM))
    x1 = min(head.shape[1] - 1, int((max(ax, bx) + near - origin[0]) / SQUARE_MM))
    y0 = max(0, int((min(ay, by) - near - origin[1]) / SQUARE_MM))
    y1 = min(head.shape[0] - 1, int((max(ay, by) + near - origin[1]) / SQUARE_MM))
    for iy in range(y0, y1 + 1):
        for ix in range(x0, x1 + 1):
            cx, cy = origin[0] + (ix + 0.5) * SQUARE_MM, origin[1] + (iy + 0.5) * SQUARE_MM
            if distance(cx, cy, ax, ay, bx, by)[0] <= near:
                listed[used[0]] = b
                after[used[0]] = head[iy, ix]
                head[iy, ix] = used[0]
                used[0] += 1


@njit(cache=True)
def candidates(px, py, z, h, half, ends, width, origin, head, listed, after, out):
    """Fill `out` with beads of the layer before that may reach within `half` of p; returns how many."""
    entry = head[int((py - origin[1]) / SQUARE_MM), int((px - origin[0]) / SQUARE_MM)]
    n = 0
    while entry >= 0 and n < MOST_UNDER:
        b = listed[entry]
        d, f = distance(px, py, ends[b, 0], ends[b, 1], ends[b, 3], ends[b, 4])
        top = ends[b, 2] + f * (ends[b, 5] - ends[b, 2])
        if top < z - 4.0 * h:
            break  # older ones lie deeper still
        if z - 1.5 * h - Z_NOISE <= top <= z - 0.5 * h and d <= half + 0.5 * width[b]:
            out[n] = b
            n += 1
        entry = after[entry]
    return n


@njit(cache=True)
def supported(px, py, n, ends, width, beads):
    """Whether one of the n beads reaches under p."""
    for k in range(n):
        b = beads[k]
        if distance(px, py, ends[b, 0], ends[b, 1], ends[b, 3], ends[b, 4])[0] <= 0.5 * width[b]:
            return True
    return False
