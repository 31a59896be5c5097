"""Facts measured from the beads of a job, in a pass of their own: how much overhangs, how slender it is, its islands.

They cost a reading of the whole job, so only those are measured that decide which rule applies (`unmeasured` of
`rules/match.py` says which). Formulas: `plan/footprint.py` for slenderness and islands. The overhang share is the
length of beads that hang over by more than the material's onset, bridges left out, by the length of all beads; the
terrain judges it, without any caution added.
"""

from collections.abc import Callable, Collection
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import A_CX, A_CY, A_SWEEP, BEAD
from liftwright.job.facts import Fact
from liftwright.job.moves import MoveReader, Moves
from liftwright.job.survey import Survey
from liftwright.plan.footprint import Footprint
from liftwright.plan.terrain import Ground, walk
from liftwright.plan.travels import Travels
from liftwright.rules.schema import Lift, Material, Printer
from liftwright.terms import bare_ground, neutral_hashes

OVERHANG, SLENDERNESS, ISLANDS = "overhang_share", "slenderness", "islands"
GEOMETRY = frozenset({OVERHANG, SLENDERNESS, ISLANDS})

_I, _F = np.zeros(0, np.int64), np.zeros(0)
_NO_TRAVELS = Travels(_I, _I, _I, _I, _I, _I, _I, _I, _I, _F, _F, _F, _F, _F, _F)


def measure(
    source: BinaryIO, found: Survey, wanted: Collection[str], printer: Printer, material: Material | None,
    *, g90_sets_extrusion: bool, chunk: int, tick: Callable[[int], None],
) -> list[Fact]:  # fmt: skip
    """The wanted facts (of `GEOMETRY`) of the job in `source`; none of a job without beads."""
    if not found.beads:
        return []
    stands = Footprint(found.bounds, printer.nozzle_mm, found.begin_line, counting=ISLANDS in wanted)
    hangs = _Overhang(found, printer, material) if OVERHANG in wanted else None
    plan_view = bool({SLENDERNESS, ISLANDS} & set(wanted))
    source.seek(0)
    reader = MoveReader(
        source, g90_sets_extrusion=g90_sets_extrusion, neutral=neutral_hashes(printer, found.unknown), chunk=chunk
    )
    for window in reader.windows():
        if plan_view:
            stands.add(window.moves)
        if hangs is not None:
            hangs.add(window.moves)
        tick(reader.size)
    facts = []
    if hangs is not None:
        facts.append(Fact(OVERHANG, round(hangs.share, 4), "geometry: overhanging length of beads / length of beads"))
    if SLENDERNESS in wanted:
        facts.append(Fact(SLENDERNESS, round(stands.slenderness(), 2), "geometry: height / width of the footprint"))
    if ISLANDS in wanted:
        facts.append(Fact(ISLANDS, float(stands.islands), "geometry: separate regions in a layer, at most"))
    return facts


class _Overhang:
    """Lays the beads of the print and asks the terrain which of them hang over."""

    def __init__(self, found: Survey, printer: Printer, material: Material | None) -> None:
        self._ground: Ground = bare_ground(Lift(shape="terrain", caution=0.0), printer, material, found)
        self._begin_line = found.begin_line
        self._over = self._all = 0.0

    def add(self, moves: Moves) -> None:
        """Look at one window."""
        hanging = walk(self._ground, moves, _NO_TRAVELS, np.zeros(0, np.uint8), clearance=0.0, max_height=1.0).curled
        of_print = moves.line >= self._begin_line
        of_print[0] = False  # the START row
        self._over += float(hanging[of_print].sum())
        self._all += float(_lengths(moves)[of_print & (moves.kind == BEAD)].sum())

    @property
    def share(self) -> float:
        """0 to 1."""
        return min(self._over / self._all, 1.0) if self._all else 0.0


def _lengths(moves: Moves) -> NDArray[np.float64]:
    """XY way of each row, mm; arcs along their curve."""
    way = np.hypot(np.diff(moves.x, prepend=moves.x[0]), np.diff(moves.y, prepend=moves.y[0]))
    rows = np.flatnonzero(moves.arc >= 0)
    arc = moves.arc[rows]
    radius = np.hypot(moves.x[rows] - moves.arcs[A_CX, arc], moves.y[rows] - moves.arcs[A_CY, arc])
    way[rows] = radius * np.abs(moves.arcs[A_SWEEP, arc])
    return way
