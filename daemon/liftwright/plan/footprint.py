"""How a print stands on the bed: windows of moves go in, slenderness and the number of islands come out.

The beads' centre lines are drawn into square cells of one and a half nozzle diameters. Cells that touch, corners
included, belong together: regions nearer than that count as one, and beads side by side always touch.

1. islands: separate regions of cells within one layer; the most of any layer. A layer is that of `travels.py`.
2. slenderness: the print falls into parts that stand apart when all layers are looked at from above. A part's height
   is that of its highest bead; its width the least distance of two parallel lines that enclose the beads of its own
   lowest layer, plus one nozzle diameter for the bead's own width. The most slender part counts: the highest
   height / width. Plane geometry; nothing is assumed of weight or adhesion.

Bounded memory: beds that would need more than `MOST_CELLS` get larger cells. It refuses nothing.
"""

from math import ceil, hypot
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import A_CX, A_CY, A_SWEEP, BEAD
from liftwright.job.moves import Moves
from liftwright.kernels import inlined, kernel
from liftwright.plan.travels import LAYER_STEP_MM

CELL_PER_NOZZLE = 1.5
MOST_CELLS = 1 << 19
NO_CELL = -1
SAME_HEIGHT_MM = LAYER_STEP_MM

# Rows of the heights of a cell: its highest bead and its lowest, mm.
H_TOP, H_LOW = range(2)
# Rows of the points of a cell's lowest beads: the farthest to the left, right, front and back; X and Y of each.
P_LEFT, P_RIGHT, P_FRONT, P_BACK = range(4)
# Slots of what is carried from bead to bead.
G_X_LO, G_Y_LO, G_PER_MM, G_Z, G_HEIGHT = range(5)
N_COLUMNS, N_ROWS, N_LAYER, N_ISLANDS, N_MOST, N_COUNTING = range(6)


class Cells(NamedTuple):
    """All arrays of one print, one column a cell."""

    layer: NDArray[np.int32]  # the last layer that has a bead here; 0 none
    island: NDArray[np.int32]  # parent within the layer
    part: NDArray[np.int32]  # parent among all layers; NO_CELL where no bead ever was
    heights: NDArray[np.float32]
    points: NDArray[np.float32]  # (4, 2, cells)


class Footprint:
    """Looks at one window of a print after the other.

    bounds: x lo, x hi, y lo, y hi of all beads, nozzle: its diameter, mm. begin_line: of the first bead of the print.
    counting: are islands wanted? Without them it takes half as long.
    """

    def __init__(
        self, bounds: tuple[float, float, float, float], nozzle: float, begin_line: int, *, counting: bool
    ) -> None:
        x_lo, x_hi, y_lo, y_hi = bounds
        cell = CELL_PER_NOZZLE * nozzle
        while (ceil((x_hi - x_lo) / cell) + 3) * (ceil((y_hi - y_lo) / cell) + 3) > MOST_CELLS:
            cell *= 1.25
        columns, rows = (ceil(length / cell) + 3 for length in (x_hi - x_lo, y_hi - y_lo))
        n = columns * rows
        self._nozzle, self._begin_line = nozzle, begin_line
        self._floats = np.array([x_lo - cell, y_lo - cell, 1.0 / cell, 0.0, 0.0])
        self._ints = np.array([columns, rows, 0, 0, 0, int(counting)])
        self._cells = Cells(
            np.zeros(n, np.int32), np.zeros(n, np.int32), np.full(n, NO_CELL, np.int32), np.zeros((2, n), np.float32),
            np.zeros((4, 2, n), np.float32),
        )  # fmt: skip

    def add(self, moves: Moves) -> None:
        """Draw the beads of a window."""
        _add(
            moves.kind, moves.known, moves.line, moves.x, moves.y, moves.z, moves.arc, moves.arcs, self._begin_line,
            *self._cells, self._floats, self._ints,
        )  # fmt: skip

    @property
    def islands(self) -> int:
        """The most islands of any layer; 0 where they weren't counted."""
        return int(max(self._ints[N_MOST], self._ints[N_ISLANDS]))

    def slenderness(self) -> float:
        """That of the most slender part; 0 where nothing was printed."""
        cells = np.flatnonzero(self._cells.part != NO_CELL)
        if not len(cells):
            return 0.0
        roots = np.empty(len(cells), np.int32)
        _roots(cells, self._cells.part, roots)
        order = np.argsort(roots, kind="stable")
        starts = np.flatnonzero(np.diff(roots[order], prepend=NO_CELL))
        parts = np.split(cells[order], starts[1:])
        return max(self._slenderness_of(part) for part in parts)

    def _slenderness_of(self, cells: NDArray[np.int64]) -> float:
        low = self._cells.heights[H_LOW, cells]
        base = cells[low <= low.min() + SAME_HEIGHT_MM]
        points = self._cells.points[:, :, base].transpose(0, 2, 1).reshape(-1, 2).astype(np.float64)
        return float(self._cells.heights[H_TOP, cells].max()) / (narrowest(points) + self._nozzle)


def narrowest(points: NDArray[np.float64]) -> float:
    """Least distance of two parallel lines that enclose the points (n × 2, mm): one of them lies on a side of their
    convex hull (Freeman and Shapira 1975; the hull is Andrew's monotone chain, 1979)."""
    points = np.unique(points, axis=0)
    hull = np.empty((2 * len(points) + 1, 2))
    corners = hull[: _hull(points, hull)]
    if len(corners) < 3:
        return 0.0
    sides = np.roll(corners, -1, axis=0) - corners
    normals = np.stack([-sides[:, 1], sides[:, 0]]) / np.hypot(sides[:, 0], sides[:, 1])
    across = corners @ normals
    return float((across.max(axis=0) - across.min(axis=0)).min())


@kernel
def _hull(points: np.ndarray, out: np.ndarray) -> int:
    """Corners of the convex hull of sorted points, counter-clockwise; returns their number."""
    n = len(points)
    m = 0
    for i in range(n):
        while m >= 2 and _turn(out, m, points, i) <= 0.0:
            m -= 1
        out[m, 0], out[m, 1] = points[i, 0], points[i, 1]
        m += 1
    least = m + 1
    for i in range(n - 2, -1, -1):
        while m >= least and _turn(out, m, points, i) <= 0.0:
            m -= 1
        out[m, 0], out[m, 1] = points[i, 0], points[i, 1]
        m += 1
    return m - 1  # the last corner is the first again


@inlined
def _turn(out: np.ndarray, m: int, points: np.ndarray, i: int) -> float:
    """Above 0 where the way over the last two corners to a point turns left."""
    ax, ay = out[m - 1, 0] - out[m - 2, 0], out[m - 1, 1] - out[m - 2, 1]
    bx, by = points[i, 0] - out[m - 2, 0], points[i, 1] - out[m - 2, 1]
    turn: float = ax * by - ay * bx
    return turn


@kernel
def _find(parent: np.ndarray, cell: int) -> int:
    """The root of a cell; the way there is halved."""
    while parent[cell] != cell:
        parent[cell] = parent[parent[cell]]
        cell = parent[cell]
    return cell


@kernel
def _roots(cells: np.ndarray, parent: np.ndarray, roots: np.ndarray) -> None:
    for k in range(len(cells)):
        roots[k] = _find(parent, cells[k])


@kernel
def _add(
    kind: np.ndarray, known: np.ndarray, line: np.ndarray, x: np.ndarray, y: np.ndarray, z: np.ndarray, arc: np.ndarray,
    arcs: np.ndarray, begin_line: int,
    layer: np.ndarray, island: np.ndarray, part: np.ndarray, heights: np.ndarray, points: np.ndarray,
    floats: np.ndarray, ints: np.ndarray,
) -> None:  # fmt: skip
    for r in range(1, len(kind)):
        if kind[r] != BEAD or line[r] < begin_line or known[r] == 0 or known[r - 1] == 0:
            continue
        _enter_layer(z[r], floats, ints)
        x0, y0, a = x[r - 1], y[r - 1], arc[r]
        way = hypot(x[r] - x0, y[r] - y0)
        if a >= 0:
            radius = hypot(x0 - arcs[A_CX, a], y0 - arcs[A_CY, a])
            way = radius * abs(arcs[A_SWEEP, a])
        steps = int(2.0 * way * floats[G_PER_MM]) + 1  # two a cell, so that none is jumped over
        for k in range(steps + 1):
            share = k / steps
            if a >= 0:
                cos, sin = np.cos(arcs[A_SWEEP, a] * share), np.sin(arcs[A_SWEEP, a] * share)
                rx, ry = x0 - arcs[A_CX, a], y0 - arcs[A_CY, a]
                px, py = arcs[A_CX, a] + rx * cos - ry * sin, arcs[A_CY, a] + rx * sin + ry * cos
            else:
                px, py = x0 + (x[r] - x0) * share, y0 + (y[r] - y0) * share
            _mark(px, py, z[r], layer, island, part, heights, points, floats, ints)


@inlined
def _enter_layer(z: float, floats: np.ndarray, ints: np.ndarray) -> None:
    """A new layer with each step upward, and where height drops by more than one layer."""
    drop = max(1.5 * floats[G_HEIGHT], LAYER_STEP_MM)
    if ints[N_LAYER] > 0 and floats[G_Z] - drop <= z <= floats[G_Z] + LAYER_STEP_MM:
        return
    rising = ints[N_LAYER] > 0 and z > floats[G_Z]
    floats[G_HEIGHT] = z - floats[G_Z] if rising else 0.0
    floats[G_Z] = z
    ints[N_LAYER] += 1
    ints[N_MOST] = max(ints[N_MOST], ints[N_ISLANDS])
    ints[N_ISLANDS] = 0


@inlined
def _mark(
    x: float, y: float, z: float, layer: np.ndarray, island: np.ndarray, part: np.ndarray, heights: np.ndarray,
    points: np.ndarray, floats: np.ndarray, ints: np.ndarray,
) -> None:  # fmt: skip
    """A bead passes a point: its cell joins what it touches, in its layer and in all."""
    column = min(max(int((x - floats[G_X_LO]) * floats[G_PER_MM]), 1), ints[N_COLUMNS] - 2)
    row = min(max(int((y - floats[G_Y_LO]) * floats[G_PER_MM]), 1), ints[N_ROWS] - 2)
    cell = row * ints[N_COLUMNS] + column
    fresh = part[cell] == NO_CELL
    if fresh:
        part[cell] = cell
        _join_part(cell, part, ints)
    if ints[N_COUNTING] == 1 and layer[cell] != ints[N_LAYER]:
        layer[cell] = ints[N_LAYER]
        island[cell] = cell
        ints[N_ISLANDS] += 1
        _join_island(cell, layer, island, ints)
    _measure(cell, fresh, x, y, z, heights, points)


@kernel
def _join_part(cell: int, part: np.ndarray, ints: np.ndarray) -> None:
    """A cell that no bead was in before belongs to what lies around it."""
    for dy in range(-1, 2):
        for dx in range(-1, 2):
            other = cell + dy * ints[N_COLUMNS] + dx
            if part[other] != NO_CELL:
                part[_find(part, other)] = _find(part, cell)


@kernel
def _join_island(cell: int, layer: np.ndarray, island: np.ndarray, ints: np.ndarray) -> None:
    """The same within the layer; each joining makes two islands one."""
    for dy in range(-1, 2):
        for dx in range(-1, 2):
            other = cell + dy * ints[N_COLUMNS] + dx
            if layer[other] == ints[N_LAYER]:
                a, b = _find(island, cell), _find(island, other)
                if a != b:
                    island[b] = a
                    ints[N_ISLANDS] -= 1


@inlined
def _measure(cell: int, fresh: bool, x: float, y: float, z: float, heights: np.ndarray, points: np.ndarray) -> None:
    """Heights of a cell, and the farthest points of its lowest beads."""
    if fresh or z > heights[H_TOP, cell]:
        heights[H_TOP, cell] = z
    if fresh or z < heights[H_LOW, cell] - SAME_HEIGHT_MM:
        heights[H_LOW, cell] = z
        for k in range(4):
            points[k, 0, cell], points[k, 1, cell] = x, y
    elif z <= heights[H_LOW, cell] + SAME_HEIGHT_MM:
        if x < points[P_LEFT, 0, cell]:
            points[P_LEFT, 0, cell], points[P_LEFT, 1, cell] = x, y
        if x > points[P_RIGHT, 0, cell]:
            points[P_RIGHT, 0, cell], points[P_RIGHT, 1, cell] = x, y
        if y < points[P_FRONT, 1, cell]:
            points[P_FRONT, 0, cell], points[P_FRONT, 1, cell] = x, y
        if y > points[P_BACK, 1, cell]:
            points[P_BACK, 0, cell], points[P_BACK, 1, cell] = x, y
