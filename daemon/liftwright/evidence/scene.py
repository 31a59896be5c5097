"""The chosen layers of a job as a person may look at them: beads with their allowance, travels before and after, and
the ground under each travel at the moment it is made.

In: every window of a pass, as it is written. Out: one `Layer` for each chosen layer. It lays the beads on a ground of
its own, by the planner's code. Thinning keeps to numbers that the page states.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from liftwright.evidence.under import allowances, along, heights, lay_rows
from liftwright.job.columns import A_CX, A_CY, A_SWEEP, BEAD
from liftwright.job.moves import Moves
from liftwright.plan.beads import chords, rows_of
from liftwright.plan.beforehand import new_strips
from liftwright.plan.terrain import Ground
from liftwright.plan.travels import FREE, NO_WAY
from liftwright.write import Glance

Floats = NDArray[np.float64]
MOST_TRAVELS = 600  # drawn in one layer: those that strike or are lifted first, then at even steps
MOST_PLACES = 160  # along one travel at which the ground is looked at
PLACE_MM = 0.2


@dataclass(frozen=True, slots=True)
class Travel:
    """One travel. x, y, z, s: its points as it came, s the way from its start, mm. after_s, after_z: its side view as
    it leaves, None where nothing changed. ground_s, printed, allowed: what lies under the nozzle's flat, mm.

    strikes_before, strikes_after: foretold. reason: index of `REASONS`. line: of its first move, in the job.
    """

    line: int
    retracted: bool
    reason: int
    strikes_before: bool
    strikes_after: bool
    x: Floats
    y: Floats
    z: Floats
    s: Floats
    after_s: Floats | None
    after_z: Floats | None
    ground_s: Floats
    printed: Floats
    allowed: Floats


@dataclass(slots=True)
class Layer:
    """One layer: index from 0, height, straight pieces of its beads (4, n) as x0 y0 x1 y1 with the allowance of each,
    its travels, and how many it has in all."""

    index: int
    z: float
    pieces: Floats = field(default_factory=lambda: np.zeros((4, 0)))
    allowance: Floats = field(default_factory=lambda: np.zeros(0))
    travels: list[Travel] = field(default_factory=list)
    travels_in_all: int = 0


class Scene:
    """Collects the layers in `wanted` over all windows of a job."""

    def __init__(self, ground: Ground, wanted: list[int]) -> None:
        self._ground, self._wanted = ground, frozenset(wanted)
        self._open: Layer | None = None
        self._places = tuple(np.zeros(MOST_PLACES) for _ in range(5))
        self.layers: list[Layer] = []

    def add(self, glance: Glance) -> None:
        """Add one window; the plan must be `judged`."""
        moves, travels = glance.window.moves, glance.travels
        rows, strips = rows_of(moves), new_strips(0)
        start = glance.layer[travels.first]
        shown = self._travels_to_show(glance, start)
        ends = np.flatnonzero(np.diff(glance.layer[1:])) + 2
        t = 0
        begin = 1
        for end in (*ends.tolist(), len(moves)):
            index = int(glance.layer[begin]) if begin < len(moves) else -1
            layer = self._enter(index, moves, begin)
            at = begin
            while t < len(travels) and travels.first[t] < end:
                if shown[t] and layer is not None:
                    lay_rows(self._ground.bed, rows, strips, at, int(travels.first[t]) + 1)
                    at = int(travels.first[t]) + 1
                    layer.travels.append(self._travel(glance, t))
                t += 1
            lay_rows(self._ground.bed, rows, strips, at, end)
            if layer is not None:
                self._keep_beads(layer, moves, begin, end)
                layer.travels_in_all += int(((start == index) & (glance.lifts.reason != NO_WAY)).sum())
            begin = end

    def finish(self) -> list[Layer]:
        """All layers, when the job is through."""
        self._close()
        return self.layers

    def _enter(self, index: int, moves: Moves, row: int) -> Layer | None:
        """The layer that rows from here on belong to, or None where it isn't wanted."""
        if self._open is not None and self._open.index != index:
            self._close()
        if self._open is None and index in self._wanted:
            self._open = Layer(index, float(moves.z[row]))
        return self._open

    def _close(self) -> None:
        layer = self._open
        if layer is None:
            return
        layer.allowance = np.zeros(layer.pieces.shape[1])
        x0, y0, x1, y1 = (np.ascontiguousarray(column) for column in layer.pieces)
        allowances(self._ground.bed, x0, y0, x1, y1, layer.allowance)
        self.layers.append(layer)
        self._open = None

    def _travels_to_show(self, glance: Glance, start: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Of each wanted layer at most MOST_TRAVELS a window: what strikes or is lifted, then at even steps."""
        assert glance.before is not None
        assert glance.after is not None
        seen = glance.lifts.reason != NO_WAY
        telling = (glance.before > 0) | (glance.after > 0) | (glance.lifts.reason == FREE)
        shown = np.zeros(len(start), np.bool_)
        for index in sorted(self._wanted.intersection(start.tolist())):
            here = np.flatnonzero((start == index) & seen)
            first = here[telling[here]]
            rest = here[~telling[here]]
            for group in (first, rest):
                room = MOST_TRAVELS - int(shown[here].sum())
                step = max(1, -(-len(group) // max(room, 1)))
                shown[group[::step][: max(room, 0)]] = True
        return shown

    def _keep_beads(self, layer: Layer, moves: Moves, begin: int, end: int) -> None:
        beads = np.flatnonzero((moves.kind[begin:end] == BEAD) & (moves.known[begin:end] == 1)) + begin
        straight = beads[moves.arc[beads] < 0]
        parts = [np.stack([moves.x[straight - 1], moves.y[straight - 1], moves.x[straight], moves.y[straight]])]
        order = [straight.astype(np.float64)]
        for row in beads[moves.arc[beads] >= 0].tolist():
            x, y = _chords(moves, row)
            parts.append(np.stack([x[:-1], y[:-1], x[1:], y[1:]]))
            order.append(row + np.arange(len(x) - 1) / len(x))
        pieces = np.concatenate(parts, axis=1)[:, np.argsort(np.concatenate(order), kind="stable")]
        layer.pieces = np.concatenate([layer.pieces, pieces], axis=1)

    def _travel(self, glance: Glance, t: int) -> Travel:
        moves, travels = glance.window.moves, glance.travels
        assert glance.before is not None
        assert glance.after is not None
        first, last = int(travels.first[t]), int(travels.last[t])
        x, y, z = _points(moves, first, last)
        s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        px, py, ps, printed, allowed = self._places
        n = along(x, y, len(x), PLACE_MM, px, py, ps) if s[-1] > 0.0 else 0
        ground = self._ground
        heights(ground.bed, ground.radius, float(z.min()) + ground.threshold, px, py, printed, allowed, 0, n)
        after = _after(glance, t, float(s[-1]))
        return Travel(
            line=int(moves.line[first]), retracted=bool(travels.retracted[t]), reason=int(glance.lifts.reason[t]),
            strikes_before=bool(glance.before[t]), strikes_after=bool(glance.after[t]), x=x, y=y, z=z, s=s,
            after_s=after[0] if after else None, after_z=after[1] if after else None,
            ground_s=ps[:n].copy(), printed=printed[:n].copy(), allowed=allowed[:n].copy(),
        )  # fmt: skip


def _chords(moves: Moves, row: int) -> tuple[Floats, Floats]:
    """The points of one arc, both ends included."""
    cx, cy, sweep = (float(moves.arcs[k, moves.arc[row]]) for k in (A_CX, A_CY, A_SWEEP))
    x, y = moves.x[row - 1] - cx, moves.y[row - 1] - cy
    turn = np.linspace(0.0, sweep, chords(float(np.hypot(x, y)), sweep) + 1)
    px, py = cx + np.cos(turn) * x - np.sin(turn) * y, cy + np.sin(turn) * x + np.cos(turn) * y
    px[-1], py[-1] = moves.x[row], moves.y[row]
    return px, py


def _points(moves: Moves, first: int, last: int) -> tuple[Floats, Floats, Floats]:
    """The points of a travel as it came, from where it starts."""
    xs, ys, zs = [moves.x[first - 1 : first]], [moves.y[first - 1 : first]], [moves.z[first - 1 : first]]
    for row in range(first, last):
        if moves.arc[row] >= 0:
            x, y = _chords(moves, row)
            xs.append(x[1:])
            ys.append(y[1:])
            zs.append(np.linspace(moves.z[row - 1], moves.z[row], len(x))[1:])
        elif moves.x[row] != moves.x[row - 1] or moves.y[row] != moves.y[row - 1] or moves.z[row] != moves.z[row - 1]:
            xs.append(moves.x[row : row + 1])
            ys.append(moves.y[row : row + 1])
            zs.append(moves.z[row : row + 1])
    return np.concatenate(xs), np.concatenate(ys), np.concatenate(zs)


def _after(glance: Glance, t: int, length: float) -> tuple[Floats, Floats] | None:
    """The side view of a travel as it leaves; None where none of its rows was replaced."""
    edits, moves = glance.edits, glance.window.moves
    first, last = int(glance.travels.first[t]), int(glance.travels.last[t])
    begin, end = np.searchsorted(edits.row, [first, last])
    if begin == end:
        return None
    a, b = int(edits.at[begin]), int(edits.at[end])
    x = np.concatenate([moves.x[first - 1 : first], edits.x[a:b]])
    y = np.concatenate([moves.y[first - 1 : first], edits.y[a:b]])
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    if s[-1] > 0.0:
        # Round an arc the way is longer than the moves' ends tell.
        s *= length / s[-1]
    return s, np.concatenate([moves.z[first - 1 : first], edits.z[a:b]])
