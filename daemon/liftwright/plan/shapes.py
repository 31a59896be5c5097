"""The side view of a lift, for the shapes that need no terrain.

A profile is a polyline of vertices (s, z): s the XY way along the travel from its start, z the height, both in mm, from
(0, z0) to (L, z1); a step straight up is two vertices with the same s. Every kernel fills `s` and `z` from `at` on and
returns the index behind its last vertex.

Too steep? A slope is bounded by `max_slope`; what height is missing then is climbed straight, at that end.
"""

import numpy as np

from liftwright.kernels import kernel

SHAPES = ("flat", "square", "triangle", "sawtooth", "trapezoid", "terrain")
FLAT, SQUARE, TRIANGLE, SAWTOOTH, TRAPEZOID, TERRAIN = range(6)
MAX_VERTICES = 8  # of any profile below
SAME_MM = 1e-6  # a step or a cruise below it is noise of binary arithmetic


@kernel
def _vertex(s: float, z: float, at: int, ss: np.ndarray, zs: np.ndarray) -> int:
    """Add a vertex unless it repeats the one before."""
    if at > 0 and ss[at - 1] == s and zs[at - 1] == z and s > 0.0:
        return at
    ss[at] = s
    zs[at] = z
    return at + 1


@kernel
def square(length: float, z0: float, z1: float, top: float, at: int, ss: np.ndarray, zs: np.ndarray) -> int:
    """Straight up at the start, across at `top`, straight down at the end."""
    for s, z in ((0.0, z0), (0.0, top), (length, top), (length, z1)):
        ss[at] = s
        zs[at] = z
        at += 1
    return at


@kernel
def peak(
    length: float, middle: float, z0: float, z1: float, top: float, max_slope: float, at: int, ss: np.ndarray,
    zs: np.ndarray,
) -> int:  # fmt: skip
    """Rises along `middle` mm to `top`, falls along the rest to z1; bounded slopes, the rest in straight steps.

    A triangle has its peak in the middle, a sawtooth at the end (middle = length: straight down there).
    """
    ss[at] = 0.0
    zs[at] = z0
    at += 1
    low = top - max_slope * middle
    if low > z0 + SAME_MM:
        at = _vertex(0.0, low, at, ss, zs)
    at = _vertex(middle, top, at, ss, zs)
    low = top - max_slope * (length - middle)
    if z1 + SAME_MM < low < top:
        at = _vertex(length, low, at, ss, zs)
    return _vertex(length, z1, at, ss, zs)


@kernel
def trapezoid(
    length: float, z0: float, z1: float, top: float, slope: float, max_slope: float, at: int, ss: np.ndarray,
    zs: np.ndarray,
) -> int:  # fmt: skip
    """Rises and falls at `slope` where the way is long enough, else as a triangle that just fits."""
    climb, fall = top - z0, top - z1
    slope = max(min(slope, max_slope), (climb + fall) / length)
    if slope > max_slope:
        # Both slopes at the bound: what they can't climb is stepped, shared by the ends in proportion to their height.
        middle = length * climb / (climb + fall)
        return peak(length, middle, z0, z1, top, max_slope, at, ss, zs)
    ss[at] = 0.0
    zs[at] = z0
    at = _vertex(climb / slope, top, at + 1, ss, zs)
    if length - fall / slope > climb / slope + SAME_MM:
        at = _vertex(length - fall / slope, top, at, ss, zs)
    return _vertex(length, z1, at, ss, zs)


@kernel
def _level_or_vertex(s: float, z: float, begin: int, at: int, ss: np.ndarray, zs: np.ndarray) -> int:
    """Add a vertex, or draw out the level piece that ends there."""
    if at - begin >= 2 and zs[at - 1] == z and zs[at - 2] == z:
        ss[at - 1] = s
        return at
    if ss[at - 1] == s and zs[at - 1] == z:
        return at
    ss[at] = s
    zs[at] = z
    return at + 1


@kernel
def flat(
    first: int, last: int, x: np.ndarray, y: np.ndarray, z: np.ndarray, at: int, ss: np.ndarray, zs: np.ndarray
) -> int:
    """The job's own path up to the higher of the two ends; what exceeds it is cut off, so that nothing gets lower.

    At most two vertices a row, and one.
    """
    ceiling = max(z[first - 1], z[last - 1])
    s = 0.0
    begin = at
    ss[at] = 0.0
    zs[at] = z[first - 1]
    at += 1
    for g in range(first, last):
        way = np.hypot(x[g] - x[g - 1], y[g] - y[g - 1])
        before, after = z[g - 1] - ceiling, z[g] - ceiling
        if way > 0.0 and max(before, after) > SAME_MM and min(before, after) < -SAME_MM:
            at = _level_or_vertex(s + way * before / (before - after), ceiling, begin, at, ss, zs)
        s += way
        at = _level_or_vertex(s, min(z[g], ceiling), begin, at, ss, zs)
    return at
