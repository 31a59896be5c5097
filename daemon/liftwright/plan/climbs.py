"""What lifts climb: how much of it beside the bead just laid, and how high the tallest goes.

In: windows of moves with their travels and lifts; out: sums over the job, before and after. Early climb is what is
climbed within the first millimetre of a travel, less the job's own Z step between the two beads. What all moves ask of
the Z axis (stroke, starts, reversals) is counted with their time, in `cost.py`.
"""

import math

import numpy as np

from liftwright.job.moves import Moves
from liftwright.kernels import inlined, kernel
from liftwright.plan.lifts import Lifts
from liftwright.plan.travels import FREE, NO_WAY, Travels

EARLY_MM = 1.0
K_EARLY, K_EARLY_BEFORE, K_TALLEST, K_TALLEST_BEFORE = range(4)
NAMES = ("early_climb_mm", "early_climb_before_mm", "tallest_lift_mm", "tallest_lift_before_mm")


class Climbs:
    """Sums over all windows of a job, before and after."""

    def __init__(self) -> None:
        self._sums = np.zeros(len(NAMES))

    def add(self, moves: Moves, travels: Travels, lifts: Lifts) -> None:
        """Add one window."""
        _add(
            moves.x, moves.y, moves.z, travels.first, travels.last, travels.reason, travels.z0, travels.z1, travels.top,
            lifts.reason, lifts.at, lifts.s, lifts.z, self._sums,
        )  # fmt: skip

    def measures(self) -> dict[str, float]:
        """Millimetres; the tallest lift is that of the travels rewritten, before that of any."""
        return {name: round(float(value), 6) for name, value in zip(NAMES, self._sums, strict=True)}


@inlined
def _reach(s: float, z: float, way: float, dz: float) -> float:
    """Height after a move of `way` mm from (s, z), or where it leaves the first millimetre."""
    return z + dz if s + way <= EARLY_MM else z + dz * (EARLY_MM - s) / way


@kernel
def _add(
    x: np.ndarray, y: np.ndarray, z: np.ndarray, first: np.ndarray, last: np.ndarray, given: np.ndarray, z0: np.ndarray,
    z1: np.ndarray, top: np.ndarray, reason: np.ndarray, at: np.ndarray, ss: np.ndarray, zs: np.ndarray,
    sums: np.ndarray,
) -> None:  # fmt: skip
    for i in range(len(first)):
        if given[i] == NO_WAY:
            continue
        base = z0[i] + max(0.0, z1[i] - z0[i])
        s = 0.0
        high = z0[i]
        for r in range(first[i], last[i]):
            way = math.hypot(x[r] - x[r - 1], y[r] - y[r - 1])
            if s < EARLY_MM:
                high = max(high, _reach(s, z[r - 1], way, z[r] - z[r - 1]))
            s += way
        early = max(0.0, high - base)
        sums[K_EARLY_BEFORE] += early
        sums[K_TALLEST_BEFORE] = max(sums[K_TALLEST_BEFORE], top[i] - base)
        if reason[i] != FREE or at[i + 1] == at[i]:
            sums[K_EARLY] += early
            continue
        high = z0[i]
        for k in range(at[i] + 1, at[i + 1]):
            if ss[k - 1] < EARLY_MM:
                high = max(high, _reach(ss[k - 1], zs[k - 1], ss[k] - ss[k - 1], zs[k] - zs[k - 1]))
            sums[K_TALLEST] = max(sums[K_TALLEST], zs[k] - base)
        sums[K_EARLY] += max(0.0, high - base)
