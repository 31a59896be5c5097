"""The readers under test behind one face: `SLOW` (exact decimals) and `PRODUCT` (the kernels), rows out.

Also the arithmetic that the published figures need: lengths of arcs, helices and straight moves between rows.
"""

import io
import math
from collections.abc import Callable
from dataclasses import dataclass

from liftwright.errors import JobError
from liftwright.job import moves as product
from reference.slow_reader import Arc, Dialect, Row
from reference.slow_reader import read as read_slowly

KINDS = (
    *("START", "BEAD", "WIPE", "TRAVEL", "FEED", "RETRACT", "PRIME", "FW_RETRACT", "FW_PRIME"),
    *("SET", "MODE", "TOOL", "DWELL", "WALL", "LABEL", "LIMIT", "NOTE"),
)
MOTIONS = frozenset({"BEAD", "WIPE", "TRAVEL", "RETRACT", "PRIME"})


@dataclass(frozen=True)
class Reader:
    """`read(job, g90_sets_extrusion)` gives rows; `or_refused` gives None where the job is refused with a reason."""

    name: str
    rows: Callable[[bytes, bool], list[Row]]

    def __call__(self, job: bytes, g90_sets_extrusion: bool = True) -> list[Row]:
        return self.rows(job, g90_sets_extrusion)

    def or_refused(self, job: bytes) -> list[Row] | None:
        try:
            return self(job)
        except JobError:
            return None


def read_product(job: bytes, g90_sets_extrusion: bool = True, chunk: int = product.CHUNK) -> list[Row]:
    """All windows of the product's reader as the slow reader's rows (floats instead of decimals)."""
    rows: list[Row] = []
    reader = product.MoveReader(io.BytesIO(job), g90_sets_extrusion=g90_sets_extrusion, chunk=chunk)
    for window in reader.windows():
        rows += rows_of(window.moves)
    return rows


def rows_of(moves: product.Moves) -> list[Row]:
    feeds = moves.feed
    rows = []
    for i in range(1, len(moves)):
        if KINDS[moves.kind[i]] == "NOTE":
            continue  # fan and progress, kept for the layers' sake; they say nothing of motion
        arc = None
        if moves.arc[i] >= 0:
            cx, cy, sweep = (float(value) for value in moves.arcs[:, moves.arc[i]])
            arc = Arc(cx, cy, sweep)  # type: ignore[arg-type]
        place = (float(moves.x[i]), float(moves.y[i]), float(moves.z[i]), float(moves.de[i]), float(feeds[i]))
        row = Row(
            KINDS[moves.kind[i]],
            int(moves.line[i]),
            *place,  # type: ignore[arg-type]
            known=bool(moves.known[i]),
            tool=int(moves.tool[i]),
            code=int(moves.code[i]),
            arc=arc,
            value=float(moves.value[i]),  # type: ignore[arg-type]
        )
        rows.append(row)
    return rows


SLOW = Reader("slow", lambda job, g90: read_slowly(job, Dialect(g90_sets_extrusion=g90)))
PRODUCT = Reader("product", read_product)
BOTH = [SLOW, PRODUCT]


def moves(rows: list[Row]) -> list[Row]:
    """The rows that move or push, without modes, labels, walls and bare feeds."""
    return [row for row in rows if row.kind in MOTIONS]


def arc_length(before: Row, after: Row) -> float:
    """Length of the arc or helix that ends in `after`, mm: √((rθ)² + Δz²), NISTIR 6556 2.1.2.6."""
    assert after.arc is not None
    radius = math.hypot(float(before.x) - float(after.arc.cx), float(before.y) - float(after.arc.cy))
    return math.hypot(radius * after.arc.sweep, float(after.z) - float(before.z))


def path_length(before: Row, after: Row) -> float:
    """Length of the move that ends in `after`, mm."""
    if after.arc is not None:
        return arc_length(before, after)
    steps = [float(getattr(after, axis)) - float(getattr(before, axis)) for axis in "xyz"]
    return math.hypot(*steps)
