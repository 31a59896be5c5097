"""The terrain shape: what the ground says of each travel, as lifts.

A travel over nothing stays as it is, down to the byte; an own lift of the job is taken away there. A travel over
something gets the string that clears it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from liftwright.job.moves import Moves
from liftwright.kernels import kernel
from liftwright.plan.bed import Strips
from liftwright.plan.lifts import OWN_LIFT_MM, Lifts, LiftTerms
from liftwright.plan.shapes import flat
from liftwright.plan.terrain import BLOCKED as IS_BLOCKED
from liftwright.plan.terrain import CLEAR as IS_CLEAR
from liftwright.plan.terrain import LIFTED as IS_LIFTED
from liftwright.plan.terrain import Ground, Strings, walk
from liftwright.plan.travels import BLOCKED, CLEAR, FREE, NO_ROOM, Travels

MOST_RISKS = 10


@dataclass(frozen=True, slots=True)
class Risk:
    """A travel that strikes something as the job came: its first line, layer, length and tallest obstacle in mm above
    its higher end, and what became of it (index of `REASONS`)."""

    line: int
    layer: int
    length: float
    tallest: float
    reason: int


class TerrainLifts:
    """Plans the admitted travels of one window after the other over the terrain laid so far."""

    def __init__(
        self, terms: LiftTerms, ground: Ground, *, clearance: float, max_height: float, climb_blocked: bool
    ) -> None:
        self._terms, self._ground = terms, ground
        self._clearance, self._max_height, self._climb_blocked = clearance, max_height, climb_blocked
        self.struck_before = self.struck_after = 0
        self.struck = np.zeros(0, np.uint8), np.zeros(0, np.uint8)  # of the last window: as it came, as it leaves
        self.curled = np.zeros(0)  # of the last window, row by row: mm of beads given an allowance for curl
        self.risks: list[Risk] = []

    @property
    def thin_beads(self) -> float | None:
        """See `Ground.thin_beads`."""
        return self._ground.thin_beads

    @property
    def restarts(self) -> int:
        """How often the terrain was begun anew, since the bed was found cleared."""
        return self._ground.restarts

    def cover(self, moves: Moves) -> Strips:
        """Do beforehand what can be done of a window while another is being planned (`Ground.cover`)."""
        return self._ground.cover(moves)

    def plan(
        self, moves: Moves, travels: Travels, reason: NDArray[np.int64], strips: Strips | None = None
    ) -> Lifts:
        """Profiles for the travels whose `reason` is FREE; also lays the window's beads, covered before or not."""
        t = self._terms
        strings = walk(
            self._ground, moves, travels, (reason == FREE).astype(np.uint8), clearance=self._clearance,
            max_height=self._max_height, max_slope=t.max_slope, climb_blocked=self._climb_blocked,
            strips=strips,
        )  # fmt: skip
        self.curled = strings.curled
        room = len(strings.s) + 2 * len(moves) + 2 * len(travels) + 1
        at, s, z = np.empty(len(travels) + 1, np.int64), np.empty(room), np.empty(room)
        _merge(
            t.z_max, moves.x, moves.y, moves.z, travels.first, travels.last, travels.z0, travels.z1, travels.top,
            reason, strings.status, strings.at, strings.s, strings.z, at, s, z,
        )  # fmt: skip
        self._count(strings, reason)
        self._note_risks(moves, travels, strings, reason)
        return Lifts(at, s, z, reason)

    def _count(self, strings: Strings, reason: NDArray[np.int64]) -> None:
        before = strings.struck_before
        self.struck = before, np.where(reason == FREE, strings.struck_after, before)
        self.struck_before += int(self.struck[0].sum())
        self.struck_after += int(self.struck[1].sum())

    def _note_risks(self, moves: Moves, travels: Travels, strings: Strings, reason: NDArray[np.int64]) -> None:
        """Keep the travels over the tallest obstacles, of this window and those before."""
        struck = np.flatnonzero(strings.struck_before)
        if len(struck) > MOST_RISKS:
            struck = struck[np.argsort(strings.tallest[struck], kind="stable")[-MOST_RISKS:]]
        self.risks += [
            Risk(
                int(moves.line[travels.first[i]]), int(travels.layer[i]), float(travels.length[i]),
                float(strings.tallest[i]), int(reason[i]),
            )
            for i in struck
        ]  # fmt: skip
        self.risks.sort(key=lambda risk: (-risk.tallest, risk.line))
        del self.risks[MOST_RISKS:]


@kernel
def _merge(
    z_max: float, x: np.ndarray, y: np.ndarray, z: np.ndarray, first: np.ndarray, last: np.ndarray, z0: np.ndarray,
    z1: np.ndarray, own_top: np.ndarray, reason: np.ndarray, status: np.ndarray, from_at: np.ndarray,
    from_s: np.ndarray, from_z: np.ndarray, at: np.ndarray, ss: np.ndarray, zs: np.ndarray,
) -> None:  # fmt: skip
    k = 0
    for i in range(len(first)):
        at[i] = k
        if reason[i] != FREE:
            continue
        begin, end = from_at[i], from_at[i + 1]
        if end > begin and status[i] != IS_CLEAR:
            highest = z0[i]
            for v in range(begin, end):
                highest = max(highest, from_z[v])
            if highest > z_max:
                reason[i] = NO_ROOM
                continue
            for v in range(begin, end):
                ss[k] = from_s[v]
                zs[k] = from_z[v]
                k += 1
        elif status[i] == IS_BLOCKED or status[i] == IS_LIFTED:
            reason[i] = BLOCKED
        elif status[i] == IS_CLEAR and own_top[i] - max(z0[i], z1[i]) > OWN_LIFT_MM:
            k = flat(first[i], last[i], x, y, z, k, ss, zs)
        else:
            reason[i] = CLEAR
    at[len(first)] = k
