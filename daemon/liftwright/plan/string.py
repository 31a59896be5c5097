"""The taut string: the side view of the gentlest lift over given obstacles.

In: heights to pass along a travel, at even spacing, and the ends. Out: the vertices (s, z) of the least concave path
over them, with slopes bounded and few vertices. It refuses nothing and knows neither beads nor printers.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from liftwright.kernels import kernel

Floats = npt.NDArray[np.float64]

NOTHING = -1.0e9  # a place without an obstacle
LEVEL = 1e-9  # mm; heights closer than this are one height


@kernel
def steps_needed(
    need: Floats, begin: int, n: int, spacing: float, length: float, z0: float, z1: float, slope: float
) -> tuple[float, float]:
    """Heights at which the two ends must begin (mm) so that no piece between them is steeper than `slope`.

    It is the value at both ends of the upper envelope of cones of that slope on every obstacle and on the ends.
    """
    start, end = max(z0, z1 - slope * length), max(z1, z0 - slope * length)
    for k in range(begin, n):
        if need[k] > NOTHING:
            s = min(k * spacing, length)
            start = max(start, need[k] - slope * s)
            end = max(end, need[k] - slope * (length - s))
    return start, end


@kernel
def taut(
    need: Floats, begin: int, n: int, spacing: float, length: float, z0: float, z1: float, slope: float,
    out_s: Floats, out_z: Floats,
) -> int:  # fmt: skip
    """Vertices of the least concave path over need[begin..n) (mm, at k·spacing), pinned at (0, z0) and (length, z1).

    A piece steeper than `slope` is replaced by a straight step of only the missing height at that end: two vertices at
    equal s. `out_s` and `out_z` need room for n + 4. Returns the number of vertices (at least 2: the ends).
    """
    start, end = steps_needed(need, begin, n, spacing, length, z0, z1, slope)
    m = 0
    if start > z0 + LEVEL:
        out_s[0], out_z[0], m = 0.0, z0, 1
    base = m
    out_s[m], out_z[m] = 0.0, start
    m += 1
    for k in range(begin, n + 1):
        s, z = min(k * spacing, length), need[k] if k < n else end
        if k == n:
            s = length
        elif z <= NOTHING or s <= 0.0 or s >= length:
            continue
        while m - base >= 2 and below(out_s[m - 2], out_z[m - 2], out_s[m - 1], out_z[m - 1], s, z):
            m -= 1
        out_s[m], out_z[m] = s, z
        m += 1
    if end > z1 + LEVEL:
        out_s[m], out_z[m] = length, z1
        m += 1
    return m


@kernel
def below(sa: float, za: float, sb: float, zb: float, sc: float, zc: float) -> bool:
    """Whether b lies on or under the straight line from a to c."""
    return (zb - za) * (sc - sa) <= (zc - za) * (sb - sa) + 1e-12


@kernel
def thin(s: Floats, z: Floats, m: int, most: int) -> int:
    """Leave out vertices, outwards only, until at most `most` stand between the two ends; returns the new count.

    A piece goes by drawing out its two neighbours until they meet, the one that adds least area first, never above the
    peak and never a first or last piece: the climb begins no steeper and no higher than before. `most` >= 4 is always
    reached. A path with steps keeps them.
    """
    peak = z[0]
    for k in range(m):
        peak = max(peak, z[k])
    while m - 2 > most:
        best, best_area, best_s, best_z = -1, np.inf, 0.0, 0.0
        for k in range(1, m - 2):
            meets, ms, mz = meeting(s, z, k)
            if not meets or mz > peak + LEVEL:
                continue
            area = 0.5 * abs((s[k + 1] - s[k]) * (mz - z[k]) - (ms - s[k]) * (z[k + 1] - z[k]))
            if area < best_area:
                best, best_area, best_s, best_z = k, area, ms, mz
        if best < 0:
            return flat_top(s, z, m, peak)
        s[best], z[best] = best_s, min(best_z, peak)
        for k in range(best + 1, m - 1):
            s[k], z[k] = s[k + 1], z[k + 1]
        m -= 1
    return m


@kernel
def meeting(s: Floats, z: Floats, k: int) -> tuple[bool, float, float]:
    """Where the pieces before and after piece k..k+1 meet when drawn out over it; steps are no such pieces."""
    before, after = s[k] - s[k - 1], s[k + 2] - s[k + 1]
    if before <= 0.0 or after <= 0.0 or s[k + 1] <= s[k]:
        return False, 0.0, 0.0
    up, down = (z[k] - z[k - 1]) / before, (z[k + 2] - z[k + 1]) / after
    if up - down <= 1e-12:
        return False, 0.0, 0.0
    x = (z[k + 1] - z[k] - down * (s[k + 1] - s[k])) / (up - down)
    return True, min(max(s[k] + x, s[k]), s[k + 1]), z[k] + up * x


@kernel
def flat_top(s: Floats, z: Floats, m: int, peak: float) -> int:
    """First and last slope drawn out to the height of the peak, level between: two vertices besides the steps."""
    first = 1 if s[1] == s[0] else 0
    last = m - 2 if s[m - 2] == s[m - 1] else m - 1
    rise, fall = s[first + 1] - s[first], s[last] - s[last - 1]
    climb, drop = z[first + 1] - z[first], z[last - 1] - z[last]
    a = s[first] + (peak - z[first]) * rise / climb if climb > LEVEL else s[first]
    b = s[last] - (peak - z[last]) * fall / drop if drop > LEVEL else s[last]
    ends = s[last], z[last], s[m - 1], z[m - 1]
    k = first + 1
    if a > s[first]:
        s[k], z[k] = min(a, b), peak
        k += 1
    if a < b < ends[0]:
        s[k], z[k] = b, peak
        k += 1
    s[k], z[k] = ends[0], ends[1]
    k += 1
    if last < m - 1:
        s[k], z[k] = ends[2], ends[3]
        k += 1
    return k
