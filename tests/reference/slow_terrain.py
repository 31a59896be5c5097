"""Slow twins of the terrain's kernels, in plain Python: samples under a bead, a travel over beads without curl.

A bead is a capsule here: all places within half its width of its middle line. A travel strikes what reaches more than
the threshold above it within the flat's radius. No grid, no cells, nothing shared with the package.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

Point = tuple[float, float]


@dataclass(frozen=True)
class Capsule:
    """A straight bead: its two ends, half its width and the height of its top."""

    a: Point
    b: Point
    half: float
    top: float


def from_segment(p: Point, a: Point, b: Point) -> float:
    """Distance of a point from a straight line between two points."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    square = dx * dx + dy * dy
    t = 0.0 if square == 0.0 else ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / square
    t = min(max(t, 0.0), 1.0)
    return math.hypot(p[0] - a[0] - t * dx, p[1] - a[1] - t * dy)


def under(bead: Capsule, start: Point, end: Point, radius: float) -> list[float]:
    """Places along a travel, mm from its start, every 0.01 mm, where the flat of this radius is over the bead."""
    length = math.dist(start, end)
    steps = max(1, math.ceil(length / 0.01))
    found = []
    for k in range(steps + 1):
        f = k / steps
        p = (start[0] + f * (end[0] - start[0]), start[1] + f * (end[1] - start[1]))
        if from_segment(p, bead.a, bead.b) <= radius + bead.half:
            found.append(f * length)
    return found


def tallest_under(beads: list[Capsule], start: Point, end: Point, radius: float) -> float:
    """Height of the tallest bead that the flat passes over; 0 where there is none."""
    return max((bead.top for bead in beads if under(bead, start, end, radius)), default=0.0)


def rectangle_holds(p: Point, start: Point, turn: float, before: float, length: float, half: float) -> float:
    """How far a point lies inside a turned rectangle; negative outside it."""
    dx, dy = p[0] - start[0], p[1] - start[1]
    along = dx * math.cos(turn) + dy * math.sin(turn)
    across = dx * math.sin(turn) - dy * math.cos(turn)
    return min(along + before, length - along, half - abs(across))
