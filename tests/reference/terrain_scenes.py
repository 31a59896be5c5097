"""Glue between the tests of the terrain and the package: jobs as text go in, plain answers come out.

The only place of these tests that knows how a job becomes columns and how a cell's record is laid out.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from evaluator.scenes import HEIGHT, WIDTH, Pen, block, ring
from liftwright.job.columns import BEAD
from liftwright.job.moves import MoveReader
from liftwright.plan import string
from liftwright.plan.bed import PART, X_LOW, Y_LOW, Covered
from liftwright.plan.cells import TOP, square_height
from liftwright.plan.covering import cover_strip
from liftwright.plan.raster import half_plane_words
from liftwright.plan.terrain import BLOCKED, CLEAR, LIFTED, NOT_JUDGED, Curl, Ground, walk
from liftwright.plan.travels import TravelFinder

__all__ = ["HEIGHT", "WIDTH", "Curl", "Pen", "block", "ring"]

STATUS = {CLEAR: "clear", LIFTED: "lifted", BLOCKED: "blocked", NOT_JUDGED: "not judged"}
BED = (0.0, 120.0, 0.0, 120.0)
CELL = 0.5
NOTHING = string.NOTHING
Profile = list[tuple[float, float]]


@dataclass(frozen=True)
class Way:
    """What the terrain says of one travel; vertices (s, z), none unless it is lifted."""

    status: str
    struck_before: bool
    struck_after: bool
    tallest: float
    peak: float
    climb: float
    length: float
    vertices: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Picture:
    """The ground after a job, its travels, and for each bead row its mm and the mm that were given an allowance."""

    ground: Ground
    ways: list[Way]
    beads: np.ndarray
    curled: np.ndarray

    @property
    def restarts(self) -> int:
        return self.ground.restarts

    def height(self, x: float, y: float) -> float:
        """Height of what stands at a place, allowance included, mm."""
        return _square(self.ground, x, y)

    def covered(self) -> float:
        """mm² of bed under the top layer of every cell."""
        bits = np.bitwise_count(self.ground.bed.words[:, TOP]).sum()
        return float(bits) / 64 * CELL**2


def looked(
    text: bytes, *, bounds: tuple[float, float, float, float] = BED, clearance: float = 0.15, max_height: float = 1.0,
    max_slope: float = 0.5, climb_blocked: bool = False, vertices: int = 4, chunk: int = 1 << 19, lift: bool = True,
    **ground: Any,
) -> Picture:  # fmt: skip
    """Lay a job and judge its travels, all of which may be lifted unless told otherwise; caution 0 unless stated."""
    bed = Ground(bounds, **{"caution": 0.0} | ground)
    finder, ways, beads, curled = TravelFinder(0), [], [], []
    for window in MoveReader(io.BytesIO(text), chunk=chunk).windows():
        moves = window.moves
        travels = finder.find(moves)
        found = walk(
            bed, moves, travels, np.full(len(travels), lift, np.uint8), clearance=clearance, max_height=max_height,
            max_slope=max_slope, climb_blocked=climb_blocked, vertices=vertices,
        )  # fmt: skip
        for t in range(len(travels)):
            a, b = int(found.at[t]), int(found.at[t + 1])
            ways.append(Way(
                STATUS[int(found.status[t])], bool(found.struck_before[t]), bool(found.struck_after[t]),
                float(found.tallest[t]), float(found.peak[t]), float(found.climb[t]), float(found.length[t]),
                tuple(zip(found.s[a:b].tolist(), found.z[a:b].tolist(), strict=True)),
            ))  # fmt: skip
        rows = np.flatnonzero(moves.kind == BEAD)
        beads.append(np.hypot(moves.x[rows] - moves.x[rows - 1], moves.y[rows] - moves.y[rows - 1]))
        curled.append(found.curled)
    return Picture(bed, ways, np.concatenate(beads), np.concatenate(curled))


def _square(ground: Ground, x: float, y: float) -> float:
    bed = ground.bed
    _, _, per_mm, columns, _ = bed.job[:5]
    u, v = (x - bed.job[X_LOW]) * per_mm, (y - bed.job[Y_LOW]) * per_mm
    column, row = int(u), int(v)
    i = ((row >> 3) * (int(columns) >> 3) + (column >> 3) << 6) + ((row & 7) << 3) + (column & 7)
    square = int(4 * (u - column)) + 4 * int(4 * (v - row))
    return float(square_height(bed.words, bed.singles, i, square, bed.job[PART], 1e6)[0])


def places(needs: dict[int, float], count: int) -> np.ndarray:
    """Heights to pass at `count` even places, NOTHING where none is given."""
    need = np.full(count, NOTHING)
    for place, height in needs.items():
        need[place] = height
    return need


def taut(need: np.ndarray, spacing: float, length: float, z0: float, z1: float, slope: float) -> Profile:
    """Vertices of the taut string over `need` at even places."""
    s, z = np.zeros(len(need) + 8), np.zeros(len(need) + 8)
    count = string.taut(need, 0, len(need), spacing, length, z0, z1, slope, s, z)
    return list(zip(s[:count].tolist(), z[:count].tolist(), strict=True))


def thinned(profile: Profile, most: int) -> Profile:
    """The same with at most so many vertices between its ends."""
    s, z = (np.array([*column, *[0.0] * 8]) for column in zip(*profile, strict=True))
    count = string.thin(s, z, len(profile), most)
    return list(zip(s[:count].tolist(), z[:count].tolist(), strict=True))


def end_heights(
    need: np.ndarray, spacing: float, length: float, z0: float, z1: float, slope: float
) -> tuple[float, float]:
    """Heights at which a path of bounded slope over `need` must begin and end."""
    return string.steps_needed(need, 0, len(need), spacing, length, z0, z1, slope)


def height_along(profile: Profile, s: np.ndarray) -> np.ndarray:
    """Heights of a side view at places; the higher one where it steps."""
    heights = np.full(len(s), -math.inf)
    for (a, za), (b, zb) in pairwise(profile):
        here = (s >= a) & (s <= b)
        if b > a:
            heights[here] = np.maximum(heights[here], za + (zb - za) * (s[here] - a) / (b - a))
        else:
            heights[here] = np.maximum(heights[here], max(za, zb))
    return heights


def covered_samples(
    columns: int, rows: int, start: tuple[float, float], turn: float, length: float, half: float, end: float
) -> dict[tuple[int, int], int]:
    """(column, row) → word of the samples that a bead covers; all in cells."""
    n = columns * rows
    room = Covered(
        np.zeros(n + 1, np.int32), np.zeros(n + 1, np.uint64), np.zeros(n + 1, np.float32),
        np.zeros(columns + rows, np.int32),
    )  # fmt: skip
    count, _, _ = cover_strip(
        half_plane_words(), columns, rows, *start, math.cos(turn), math.sin(turn), length, half, end, room
    )
    found = {}
    for i, word in zip(room.cells[:count].tolist(), room.covers[:count].tolist(), strict=True):
        tile, k = i >> 6, i & 63
        row, column = divmod(tile, columns // 8)
        found[column * 8 + (k & 7), row * 8 + (k >> 3)] = word
    return found
