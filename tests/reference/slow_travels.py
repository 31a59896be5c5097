"""Rows of a whole job → its travels, gap by gap with lists: the slow, obvious twin of the kernel that finds travels."""

import math
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np

from liftwright.job.columns import (
    BEAD,
    DWELL,
    FW_PRIME,
    FW_RETRACT,
    PRIME,
    RETRACT,
    SET,
    TOOL,
    TRAVEL,
    W_ODD,
    W_PLANE,
    W_TURN,
    WALL,
    WIPE,
)  # fmt: skip
from liftwright.job.moves import MoveReader, Moves

STEP = 0.02  # mm, the least step of a layer
SAME = 1e-6


@dataclass(frozen=True)
class Row:
    kind: int
    code: int
    known: bool
    words: int
    line: int
    x: float
    y: float
    z: float
    de: float
    f: float
    feed: float
    value: float
    tool: int
    label: int
    frame: tuple[float, ...]  # shifts of x, y, z, mm per unit, 1 for absolute


def rows_of(reader: MoveReader) -> list[Row]:
    """All rows of a job, the first one a stand-in at the origin."""
    rows: list[Row] = []
    for window in reader.windows():
        rows += [row_at(window.moves, k) for k in range(0 if not rows else 1, len(window.moves))]
    return rows


def row_at(moves: Moves, k: int) -> Row:
    plain: dict[str, Any] = {
        name: getattr(moves, name)[k].item() for name in Row.__dataclass_fields__ if name not in ("frame", "known")
    }
    return Row(known=bool(moves.known[k]), frame=tuple(np.asarray(moves.frames)[:, moves.frame[k]].tolist()), **plain)


@dataclass
class Travel:
    rows: list[Row]  # the bead before, the gap, the bead after
    first: int  # of the active rows, within `rows`
    last: int
    reason: str = "free"
    retracted: bool = False
    to_tool: bool = False  # `rows` then end with the change of the tool
    layer: int = 0
    label: int = -1
    length: float = 0.0
    z0: float = 0.0
    z1: float = 0.0
    top: float = 0.0
    speed: float = 0.0


@dataclass
class Walk:
    """What a walk through the job remembers."""

    depth: dict[int, float] = field(default_factory=dict)
    latched: bool = False
    started: bool = False
    layer: int = 0
    z: float = 0.0  # of the layer
    h: float = 0.0  # its height
    pulled: dict[tuple[int, int], bool] = field(default_factory=dict)  # was it retracted behind the row?
    hole: float | None = None  # height of beads at unknown places that no whole layer covers yet
    covering: int = 0  # the layer that is covering the last hole

    def open(self) -> bool:
        return self.hole is not None or self.layer <= self.covering

    def bead(self, row: Row) -> None:
        if not row.known:
            self.hole = max(row.z, self.z)
            return
        if self.layer == 0 or row.z < self.z - max(1.5 * self.h, STEP):
            if self.layer:
                self.hole = row.z if self.open() else None
            self.layer, self.z, self.h, self.covering = 1, row.z, 0.0, 0
        elif row.z > self.z + STEP:
            self.layer, self.h, self.z = self.layer + 1, row.z - self.z, row.z
        else:
            return
        if self.hole is not None and row.z > self.hole + STEP:
            self.hole, self.covering = None, self.layer


def travels_of(rows: list[Row], begin_line: int) -> list[Travel]:
    """One entry a gap, in order."""
    walk, found, gap = Walk(), [], rows[:1]
    for row in rows[1:]:
        tool = max(0, row.tool)
        gap.append(row)
        if row.kind == BEAD:
            if len(gap) > 2:
                found.append(travel_of(gap, walk))
            walk.started = walk.started or row.line >= begin_line
            if walk.started:
                walk.bead(row)
            gap = [row]
        if row.kind in (BEAD, PRIME, WIPE, RETRACT):
            walk.depth[tool] = max(0.0, walk.depth.get(tool, 0.0) - row.de)
        elif row.kind in (FW_RETRACT, FW_PRIME):
            walk.latched = row.kind == FW_RETRACT
        walk.pulled[row.line, row.kind] = walk.depth.get(tool, 0.0) > 0.1 or walk.latched
    return found


def travel_of(gap: list[Row], walk: Walk) -> Travel:
    inner = range(1, len(gap) - 1)
    first, last = active(gap)
    walls = [k for k in inner if gap[k].kind in (WALL, TOOL)]
    before, to_tool = gap[: walls[0] + 1] if walls else [], False
    if walls and gap[walls[0]].kind == TOOL and gap[walls[0]].tool >= 0:
        a, b = active(before)
        if any(way(gap, k) > 0 for k in range(a, b) if gap[k].kind == TRAVEL):
            first, last, to_tool = a, b, True
    travel = Travel(before if to_tool else gap, first, last, layer=walk.layer, label=gap[0].label, to_tool=to_tool)
    ways = [k for k in (range(first, last) if first <= last else inner) if gap[k].kind == TRAVEL]
    travel.length = sum(way(gap, k) for k in ways)
    travel.z0, travel.z1 = gap[first - 1].z, gap[last - 1].z
    travel.top = max([travel.z0, travel.z1, *(gap[k].z for k in ways)])
    travel.speed = max([0.0, *(gap[k].feed for k in ways if way(gap, k) > 0)])
    start = gap[first - 1]
    travel.retracted = walk.pulled.get((start.line, start.kind), False)
    travel.reason = reason_of(travel, walk)
    return travel


def active(gap: list[Row]) -> tuple[int, int]:
    """Behind the last wipe or retraction, up to the first prime."""
    inner = range(1, len(gap) - 1)
    pulls = [k for k in inner if gap[k].kind in (WIPE, RETRACT, FW_RETRACT)]
    pushes = [k for k in inner if gap[k].kind in (PRIME, FW_PRIME)]
    return pulls[-1] + 1 if pulls else 1, pushes[0] if pushes else len(gap) - 1


def way(gap: list[Row], k: int) -> float:
    return math.hypot(gap[k].x - gap[k - 1].x, gap[k].y - gap[k - 1].y)


def reason_of(travel: Travel, walk: Walk) -> str:
    """The first of these that holds."""
    gap, first, last = travel.rows, travel.first, travel.last
    inner, active = gap[1:-1], range(first, last)
    if travel.length == 0:
        behind = any(way(gap, k) > 0 for k in range(last, len(gap) - 1) if gap[k].kind == TRAVEL)
        return "primes before it travels" if behind and walk.started else "no way"
    if not walk.started:
        return "before the print begins"
    if any(row.kind in (WALL, TOOL) for row in inner):
        return "wall"
    if not gap[0].known or not (gap[-1].known or travel.to_tool):
        return "position unknown"
    for row in inner:
        if row.kind == DWELL:
            return "dwell"
        if row.words & W_PLANE:
            return "rotated plane"
        if row.kind == SET and row.value:
            return "shifted position"
    if first > last:
        return "primes before it travels"
    fallen = False
    for k in active:
        row, step = gap[k], gap[k].z - gap[k - 1].z
        if not row.known:
            return "position unknown"
        if row.kind == TRAVEL and row.words & W_ODD:
            return "shared line"
        if row.kind == TRAVEL and row.code >= 2 and not (row.words & W_TURN and abs(step) > SAME):
            return "arc"
        if row.z < min(travel.z0, travel.z1) - SAME:
            return "dips below both ends"
        if step > SAME and fallen:
            return "rises more than once"
        fallen = fallen or step < -SAME
    if walk.open():
        return "layer not fully known"
    if travel.speed <= 0:
        return "no feed"
    if not all(writable(gap[k], gap[k - 1], travel) for k in active if gap[k].kind == TRAVEL):
        return "not exact in these units"
    return "free"


def writable(row: Row, before: Row, travel: Travel) -> bool:
    """Do nine decimals meet the move's ends and the travel's heights in the units of the row?"""
    scale = Fraction(repr(row.frame[3]))
    places = [(before.x, 0), (row.x, 0), (before.y, 1), (row.y, 1), (travel.z0, 2), (travel.z1, 2)]
    for place, axis in places:
        logical = (Fraction(place) - Fraction(row.frame[axis])) / scale
        if scale != 1 and abs(round(logical, 9) - logical) * scale > Fraction(1, 10**10):
            return False
    return True
