"""Pieces of motion in; beads, and the ways between them, out.

A gap is everything between two beads that do not follow each other directly. Its way runs from the
end of the last wipe in it to the next bead. A way without XY length is no travel, but its Z counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from .reader import BEAD, PULL, TRAVEL, WIPE, Pieces

LEAST_WAY_MM = 1e-3


@dataclass(frozen=True, slots=True)
class Beads:
    """n × 6 ends, filament pushed, line, and the number of the path (joined run of beads) each belongs to."""

    ends: np.ndarray
    pushed: np.ndarray
    line: np.ndarray
    path: np.ndarray


@dataclass(frozen=True, slots=True)
class Ways:
    """The ways of one rewrite. Rows at[g] to at[g + 1] of `ends` belong to gap g.

    after[g]: index of the bead before the gap. wiped[g]: XY length between that bead and the start of
    the way, mm. line[g]: line of the way's first row. turn: 1 for pieces of a full turn.
    """

    after: np.ndarray
    at: np.ndarray
    ends: np.ndarray
    turn: np.ndarray
    wiped: np.ndarray
    line: np.ndarray

    def length(self) -> np.ndarray:
        """XY length of every way in mm."""
        step = np.hypot(self.ends[:, 3] - self.ends[:, 0], self.ends[:, 4] - self.ends[:, 1])
        return np.diff(np.concatenate(([0.0], np.cumsum(step)))[self.at])


def split(pieces: Pieces) -> tuple[Beads, Ways]:
    """Beads with their paths, and one way for every gap that moves the nozzle."""
    is_bead = pieces.kind == BEAD
    beads, gaps = int(is_bead.sum()), int(is_bead.size)
    path = np.zeros(beads, np.int64)
    after, at, rows = np.empty(gaps, np.int64), np.zeros(gaps + 1, np.int64), np.empty(gaps, np.int64)
    wiped = np.empty(gaps)
    n = _split(pieces.kind, pieces.ends, path, after, at, rows, wiped)
    rows = rows[: at[n]]
    return (
        Beads(pieces.ends[is_bead], pieces.pushed[is_bead], pieces.line[is_bead], path),
        Ways(after[:n].copy(), at[: n + 1].copy(), pieces.ends[rows], pieces.turn[rows], wiped[:n].copy(),
             pieces.line[rows[at[:n]]]),
    )


@njit(cache=True)
def _split(kind, ends, path, after, at, rows, wiped):
    bead = -1
    current = 0
    n = 0
    start = 0  # first row after the bead
    for row in range(kind.size):
        if kind[row] != BEAD:
            continue
        if bead >= 0 and row > start:
            way = start
            before = 0.0
            for k in range(start, row):
                if kind[k] == WIPE:
                    way = k + 1
            for k in range(start, way):
                before += np.hypot(ends[k, 3] - ends[k, 0], ends[k, 4] - ends[k, 1])
            xy = 0.0
            taken = at[n]
            for k in range(way, row):
                if kind[k] == TRAVEL or (kind[k] >= PULL and ends[k, 2] != ends[k, 5]):
                    rows[taken] = k
                    taken += 1
                    xy += np.hypot(ends[k, 3] - ends[k, 0], ends[k, 4] - ends[k, 1])
            if way > start or xy > LEAST_WAY_MM:
                current += 1
            if taken > at[n]:
                after[n] = bead
                wiped[n] = before
                n += 1
                at[n] = taken
        bead += 1
        path[bead] = current
        start = row + 1
    return n


def pinned_flat(ways: Ways) -> Ways:
    """The same ways with no lift: Z cut off at the higher of the two ends, full turns taken out."""
    ends = ways.ends.copy()
    gap = np.repeat(np.arange(ways.after.size), np.diff(ways.at))
    ceiling = np.maximum(ways.ends[ways.at[:-1], 2], ways.ends[ways.at[1:] - 1, 5])
    ends[:, 2] = np.minimum(ends[:, 2], ceiling[gap])
    ends[:, 5] = np.minimum(ends[:, 5], ceiling[gap])
    turning = ways.turn == 1
    ends[turning, 3:5] = ends[turning, 0:2]  # a full turn goes nowhere
    return Ways(ways.after, ways.at, ends, ways.turn, ways.wiped, ways.line)
