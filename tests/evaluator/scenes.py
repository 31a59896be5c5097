"""Small jobs with hand-worked answers, written as plain commands."""

from __future__ import annotations

import math
from collections.abc import Sequence

HEIGHT, WIDTH = 0.2, 0.45
AREA = math.pi * 1.75**2 / 4


class Pen:
    """Writes a job: `bead` along points, `travel` to a point; relative E, width from volume."""

    def __init__(self, width: float = WIDTH, height: float = HEIGHT) -> None:
        self.lines = ["G90", "M83"]
        self.section = height * (width - height * (1 - math.pi / 4))
        self.at = (0.0, 0.0)

    def travel(self, *xyz: float) -> Pen:
        """One straight piece to x, y, z."""
        self.lines.append("G0 X{:.5f} Y{:.5f} Z{:.5f}".format(*xyz))
        self.at = xyz[:2]
        return self

    def bead(self, *points: tuple[float, float]) -> Pen:
        """Extruded pieces through the points at the present height."""
        for x, y in points:
            pushed = self.section * math.hypot(x - self.at[0], y - self.at[1]) / AREA
            self.lines.append(f"G1 X{x:.5f} Y{y:.5f} E{pushed:.7f}")
            self.at = (x, y)
        return self

    def bytes(self) -> bytes:
        return ("\n".join(self.lines) + "\n").encode()


def ring(x: float, y: float, radius: float, turn: float, pieces: int) -> list[tuple[float, float]]:
    """A closed polygon around x, y."""
    angles = [turn + 2 * math.pi * k / pieces for k in range(pieces + 1)]
    return [(x + radius * math.cos(angle), y + radius * math.sin(angle)) for angle in angles]


def cone(angle_deg: float, x: float, y: float, turn: float, layers: int = 12, pieces: int = 90) -> bytes:
    """Rings that grow outwards, leaning `angle_deg` from the vertical."""
    pen = Pen()
    for layer in range(layers):
        radius = 10.0 + layer * HEIGHT * math.tan(math.radians(angle_deg))
        points = ring(x, y, radius, turn, pieces)
        z = HEIGHT * (layer + 1)
        pen.travel(*points[0], z).bead(*points[1:])
    return pen.bytes()


def block(pen: Pen, x: tuple[float, float], y: tuple[float, float], layers: Sequence[int]) -> None:
    """Parallel beads along Y that fill the rectangle, for each of the layers (counted from 1)."""
    for layer in layers:
        column = x[0]
        while column <= x[1] + 1e-9:
            pen.travel(column, y[0], HEIGHT * layer).bead((column, y[1]))
            column += WIDTH * 0.9
