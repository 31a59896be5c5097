"""What the lifts do to the Z axis: stroke, turns, and how much is climbed beside the bead just laid.

Stroke is the sum of |ΔZ|; a turn is a Z move against the direction of the last one. Early climb is what is climbed
within the first millimetre of a travel, less the job's own Z step between the two beads.
"""

import math

import numpy as np

from liftwright.job.moves import Moves
from liftwright.kernels import kernel
from liftwright.plan.lifts import Lifts
from liftwright.plan.travels import FREE, NO_WAY, Travels

EARLY_MM = 1.0
SAME_MM = 1e-6
K_STROKE, K_STROKE_BEFORE, K_EARLY, K_EARLY_BEFORE, K_TALLEST = range(5)
K_TURNS, K_TURNS_BEFORE, K_WAY, K_WAY_BEFORE = range(4)


class Strokes:
    """Sums over all windows of a job, before and after."""

    def __init__(self) -> None:
        self._floats = np.zeros(5)
        self._ints = np.zeros(4, np.int64)
        self._tallest_before = 0.0

    def add(self, moves: Moves, travels: Travels, lifts: Lifts) -> None:
        """Add one window."""
        _add(
            moves.x, moves.y, moves.z, travels.first, travels.last, travels.reason, travels.z0, travels.z1,
            lifts.reason,
            lifts.at, lifts.s, lifts.z, self._floats, self._ints,
        )  # fmt: skip
        own = (travels.top - np.maximum(travels.z0, travels.z1))[travels.reason != NO_WAY]
        self._tallest_before = max(self._tallest_before, float(own.max(initial=0.0)))

    def counts(self) -> dict[str, int]:
        """Turns of the Z axis."""
        return {"z_turns": int(self._ints[K_TURNS]), "z_turns_before": int(self._ints[K_TURNS_BEFORE])}

    def measures(self) -> dict[str, float]:
        """Millimetres; the tallest lift is that of the travels rewritten, before that of any."""
        names = ("z_stroke_mm", "z_stroke_before_mm", "early_climb_mm", "early_climb_before_mm", "tallest_lift_mm")
        values = dict(zip(names, self._floats, strict=True)) | {"tallest_lift_before_mm": self._tallest_before}
        return {name: round(float(value), 6) for name, value in values.items()}


@kernel
def _step(dz: float, stroke: int, turns: int, way: int, floats: np.ndarray, ints: np.ndarray) -> None:
    if abs(dz) <= SAME_MM:
        return
    floats[stroke] += abs(dz)
    direction = 1 if dz > 0 else -1
    if ints[way] == -direction:
        ints[turns] += 1
    ints[way] = direction


@kernel
def _add(
    x: np.ndarray, y: np.ndarray, z: np.ndarray, first: np.ndarray, last: np.ndarray, given: np.ndarray, z0: np.ndarray,
    z1: np.ndarray, reason: np.ndarray, at: np.ndarray, ss: np.ndarray, zs: np.ndarray, floats: np.ndarray,
    ints: np.ndarray,
) -> None:  # fmt: skip
    r = 1
    for i in range(len(first)):
        changed = reason[i] == FREE and at[i + 1] > at[i]
        while r < first[i]:
            dz = z[r] - z[r - 1]
            _step(dz, K_STROKE, K_TURNS, K_WAY, floats, ints)
            _step(dz, K_STROKE_BEFORE, K_TURNS_BEFORE, K_WAY_BEFORE, floats, ints)
            r += 1
        s = 0.0
        high = z0[i]
        while r < last[i]:
            dz = z[r] - z[r - 1]
            _step(dz, K_STROKE_BEFORE, K_TURNS_BEFORE, K_WAY_BEFORE, floats, ints)
            if not changed:
                _step(dz, K_STROKE, K_TURNS, K_WAY, floats, ints)
            way = math.hypot(x[r] - x[r - 1], y[r] - y[r - 1])
            if s < EARLY_MM:
                reach = z[r] if s + way <= EARLY_MM else z[r - 1] + dz * (EARLY_MM - s) / way
                high = max(high, reach)
            s += way
            r += 1
        own_step = max(0.0, z1[i] - z0[i])
        if given[i] != NO_WAY:
            floats[K_EARLY_BEFORE] += max(0.0, high - z0[i] - own_step)
        if not changed:
            if given[i] != NO_WAY:
                floats[K_EARLY] += max(0.0, high - z0[i] - own_step)
            continue
        high = z0[i]
        for k in range(at[i] + 1, at[i + 1]):
            dz = zs[k] - zs[k - 1]
            _step(dz, K_STROKE, K_TURNS, K_WAY, floats, ints)
            if ss[k - 1] < EARLY_MM:
                way = ss[k] - ss[k - 1]
                reach = zs[k] if ss[k] <= EARLY_MM else zs[k - 1] + dz * (EARLY_MM - ss[k - 1]) / way
                high = max(high, reach)
            floats[K_TALLEST] = max(floats[K_TALLEST], zs[k] - max(z0[i], z1[i]))
        floats[K_EARLY] += max(0.0, high - z0[i] - own_step)
    while r < len(z):
        dz = z[r] - z[r - 1]
        _step(dz, K_STROKE, K_TURNS, K_WAY, floats, ints)
        _step(dz, K_STROKE_BEFORE, K_TURNS_BEFORE, K_WAY_BEFORE, floats, ints)
        r += 1
