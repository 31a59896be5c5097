"""What a lift costs, measured on the ways themselves: stroke, early climb, reversals, path."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from .gaps import Ways

EARLY_MM = 1.0
LIFTED_MM = 1e-4  # a way that rises this little above both ends is level


@dataclass(frozen=True, slots=True)
class Measures:
    """Per gap, in mm: Z stroke and early climb without the job's own step, path length, lift above both ends."""

    stroke: np.ndarray
    early: np.ndarray
    path: np.ndarray
    lift: np.ndarray
    reversals: int


def measure(ways: Ways) -> Measures:
    """Stroke is the Z way up and down less |z1 - z0|; early climb is what rises within the first
    millimetre of XY after the last bead (wipes count towards it), less z1 - z0 where the job steps up."""
    gaps = ways.after.size
    stroke, early, path, lift = np.zeros(gaps), np.zeros(gaps), np.zeros(gaps), np.zeros(gaps)
    _measure(ways.at, ways.ends, ways.wiped, stroke, early, path, lift)
    dz = ways.ends[:, 5] - ways.ends[:, 2]
    signs = np.sign(dz[np.abs(dz) > 1e-9])
    return Measures(stroke, early, path, lift, int(np.count_nonzero(np.diff(signs))))


@njit(cache=True)
def _measure(at, ends, wiped, stroke, early, path, lift):
    for gap in range(stroke.size):
        first, last = at[gap], at[gap + 1]
        z0, z1 = ends[first, 2], ends[last - 1, 5]
        up_down, climb, s, highest = 0.0, 0.0, wiped[gap], max(z0, z1)
        for row in range(first, last):
            dz = ends[row, 5] - ends[row, 2]
            xy = np.hypot(ends[row, 3] - ends[row, 0], ends[row, 4] - ends[row, 1])
            up_down += abs(dz)
            path[gap] += np.sqrt(xy * xy + dz * dz)
            highest = max(highest, ends[row, 5])
            if dz > 0.0 and s <= EARLY_MM:
                climb += dz if s + xy <= EARLY_MM else dz * (EARLY_MM - s) / xy
            s += xy
        stroke[gap] = max(0.0, up_down - abs(z1 - z0))
        early[gap] = max(0.0, climb - max(0.0, z1 - z0))
        lift[gap] = highest - max(z0, z1)
