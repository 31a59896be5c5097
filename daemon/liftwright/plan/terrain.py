"""What stands on the bed at each moment of a job, and the gentlest lift over it for each travel.

In: windows of moves and their travels, in order, and plain numbers. Out: for each travel whether something stands in
its way, and the side view of the lift that clears it. It knows no rules and no file; `Ground` carries everything from
one window to the next, so that cutting the job elsewhere gives the same answer.

The curl allowance is an assumption, not a prediction: no published curve gives the height of a curled edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi

import numpy as np

from liftwright.job.moves import Moves
from liftwright.plan.beads import Bytes, rows_of
from liftwright.plan.bed import JOB_SIZE, LAYER_H, NOZZLE, RESTARTS, STATE_SIZE, USUAL_WIDTH, Bed, Covered, Strips
from liftwright.plan.beforehand import cover_rows, new_strips
from liftwright.plan.bins import BIN_ROWS, MOST_BINS, QUARTERS
from liftwright.plan.cells import PARTS, RECORD_WORDS, Floats
from liftwright.plan.covering import MOST_CELLS as BEAD_CELLS
from liftwright.plan.covering import MOST_COLUMNS
from liftwright.plan.laying import SUMS
from liftwright.plan.obstacles import WAY_SIZE, Sweep
from liftwright.plan.passing import (
    BLOCKED,
    CLEAR,
    LIFTED,
    NOT_JUDGED,
    PLACES,
    T_CLIMB,
    T_LENGTH,
    T_PEAK,
    T_TALLEST,
    Found,
    Gaps,
    pass_window,
)  # fmt: skip
from liftwright.plan.raster import TILE, Integers, Words, half_plane_words
from liftwright.plan.string import NOTHING
from liftwright.plan.travels import Travels
from liftwright.plan.waiting import PIECE_SIZE, PIECES, WAITING

__all__ = ["BLOCKED", "CLEAR", "LIFTED", "NOT_JUDGED", "Curl", "Ground", "Strings", "fits", "walk"]

CELL_PER_NOZZLE = 1.25
# Nozzles: how long a bin of a bead is; how far beside a bead an edge may stand on which its own curl grows on.
BIN_LENGTH, GROWS_BESIDE = 0.9, 0.8
LINE = 64  # bytes the processor fetches at once
MARGIN = 2.0  # mm of bed kept around, so that the widest bead lies inside
STALE_ROOM = 4096  # beads of a stretch that may prove the terrain stale
MOST_CELLS = 1 << 23  # cells grow until no more are needed: 512 MiB of address space, used only where beads lie
# What full caution takes off the onset, as a share of it, and off the threshold for curled edges, mm.
EARLIER_ONSET, LOWER = 0.4, 0.054
# Between the share up to which a bead is surely carried and the onset nothing decays: on which side of the onset a wall
# stands is in doubt. What full caution takes off that share, as one of the onset; no plain wall measures the least.
LESS_SURE, LEAST_SURE = 1.2, 0.16
# What full caution takes off the clearance above allowances, which stands for the same doubt; not below the least.
LESS_CLEARANCE, LEAST_CLEARANCE = 0.185, 0.05
THRESHOLD = 0.03  # mm; what stands less above the nozzle is no obstacle
LEAST_THRESHOLD = 0.003  # mm; heights are kept as singles, and a bead that lies flush is never an obstacle
THIN = 0.6  # nozzles; beads thinner than this as a rule point to a wrong filament diameter (common practice, no source)


@dataclass(frozen=True, slots=True)
class Curl:
    """How edges of one material curl: onset (unsupported share), gain (mm per mm of layer), cap (mm), decay (share)."""

    onset: float = 0.4
    gain: float = 0.5
    cap: float = 0.5
    decay: float = 0.5


@dataclass(frozen=True, slots=True)
class Strings:
    """What was found for the travels of one window, in their order.

    status: CLEAR (no obstacle), LIFTED, BLOCKED (more than the greatest height is needed) or NOT_JUDGED (may not be
    lifted, or its position is not known). struck_before: the job's own path, own lift included, strikes something.
    struck_after: so does the path that is left if the answer is taken. tallest: tallest obstacle above the higher end,
    mm. peak: highest Z of the lift. climb: Z gained within the first mm. length: XY length, mm.
    Vertices of travel t: s[at[t]:at[t+1]], z[...]; none unless it is lifted.
    curled: for each row of the window, mm of beads that were given an allowance for curl when it was read.
    """

    status: Bytes
    struck_before: Bytes
    struck_after: Bytes
    tallest: Floats
    peak: Floats
    climb: Floats
    length: Floats
    at: Integers
    s: Floats
    z: Floats
    curled: Floats


def fits(bounds: tuple[float, float, float, float], nozzle: float) -> bool:
    """Whether a ground of these bounds (mm) can have cells of the usual size."""
    x_lo, x_hi, y_lo, y_hi = bounds
    area = (x_hi - x_lo + 2 * MARGIN) * (y_hi - y_lo + 2 * MARGIN)
    return area / (nozzle * CELL_PER_NOZZLE) ** 2 <= MOST_CELLS


class Ground:
    """The terrain of one job. bounds: x_lo, x_hi, y_lo, y_hi within which beads lie, mm; all else in mm as well.

    caution: 0..1 lets curl begin earlier and less of it count; it takes a little off the clearance above curled edges
    in return. head: its radius, and how far its underside is above the nozzle's tip.
    """

    def __init__(
        self, bounds: tuple[float, float, float, float], *, nozzle: float = 0.4, flat: float = 1.0,
        filament: float = 1.75, curl: Curl = Curl(), caution: float = 0.5, cell: float | None = None,
        head: tuple[float, float] | None = None,
    ) -> None:  # fmt: skip
        x_lo, x_hi, y_lo, y_hi = bounds
        width, depth = x_hi - x_lo + 2 * MARGIN, y_hi - y_lo + 2 * MARGIN
        cell = cell or nozzle * CELL_PER_NOZZLE
        while width * depth / cell**2 > MOST_CELLS:
            cell *= 1.25
        columns, rows = (ceil(length / cell / TILE) * TILE for length in (width, depth))
        tiles = columns * rows // TILE**2
        onset = curl.onset * (1.0 - EARLIER_ONSET * caution)
        sure = min(onset, max(curl.onset * (1.0 - LESS_SURE * caution), LEAST_SURE))
        words = records(columns * rows)
        job = np.array([
            x_lo - MARGIN, y_lo - MARGIN, 1.0 / cell, columns, rows, nozzle,
            onset, curl.gain, curl.cap / PARTS, curl.decay, pi / 4 * filament**2,
            BIN_LENGTH * nozzle, GROWS_BESIDE * nozzle, sure,
        ])  # fmt: skip
        assert job.size == JOB_SIZE
        state = np.zeros(STATE_SIZE)
        state[LAYER_H], state[USUAL_WIDTH] = 0.5 * nozzle, nozzle
        self.bed = Bed(
            words, words.view(np.float32), np.zeros(tiles, np.float32), np.zeros(tiles, np.float32),
            np.zeros(tiles, np.uint64), _TABLE, job, state,
            np.zeros((PIECES, PIECE_SIZE)),
            Covered(
                np.zeros(BEAD_CELLS, np.int32), np.zeros(BEAD_CELLS, np.uint64), np.zeros(BEAD_CELLS, np.float32),
                np.zeros(MOST_COLUMNS, np.int32),
            ),
            np.zeros(BEAD_CELLS, np.uint64),
            np.zeros(SUMS, np.int64), np.zeros((BIN_ROWS, MOST_BINS), np.int64), np.zeros(QUARTERS),
            np.zeros(WAITING, np.int32), np.zeros(WAITING, np.uint64), np.zeros((STALE_ROOM, 7)),
        )  # fmt: skip
        # Squares of a quarter of a cell count by their middles: what reaches out beyond one isn't to be missed.
        self.radius = flat / 2 + cell / 8
        self.threshold = max(THRESHOLD - LOWER * caution, LEAST_THRESHOLD)
        self._caution, self.head = caution, head
        self.hull = np.zeros(PLACES + 8), np.zeros(PLACES + 8)
        self._layer = np.array([0.0, 0.5 * nozzle])  # as far as beads were covered before their turn
        self._strips = [new_strips(0), new_strips(0)]
        self.way, self.need = np.zeros(WAY_SIZE), np.full(PLACES, NOTHING)

    @property
    def restarts(self) -> int:
        """How often the bed was found cleared, and the terrain begun anew."""
        return int(self.bed.state[RESTARTS])

    @property
    def thin_beads(self) -> float | None:
        """Usual width in mm of the last beads by their E, where it is less than a nozzle of this size can lay."""
        width = float(self.bed.state[USUAL_WIDTH])
        return width if width < THIN * float(self.bed.job[NOZZLE]) else None

    def cover(self, moves: Moves) -> Strips:
        """Cover the beads of the next window before its turn; stands until the second next window is covered.

        It touches nothing that `walk` does, so that another thread may walk the window before.
        """
        strips = self._strips.pop(0)
        if len(strips.width) < len(moves):
            strips = new_strips(len(moves))
        self._strips.append(strips)
        cover_rows(self.bed.table, self.bed.job, self._layer, rows_of(moves), strips)
        return strips

    def question(self, clearance: float) -> Sweep:
        """What is asked of a travel, with the mm kept above obstacles."""
        kept = max(clearance - LESS_CLEARANCE * self._caution, min(clearance, LEAST_CLEARANCE))
        return Sweep(self.way, self.need, self.radius, 0.0, self.threshold, THRESHOLD, clearance, kept)

    def question_of_head(self, clearance: float) -> Sweep:
        """The same for the head around the nozzle; its radius is 0 where nothing is known of it."""
        radius, clear = self.head or (0.0, 0.0)
        return Sweep(self.way, self.need, radius, clear, THRESHOLD, THRESHOLD, clearance, clearance)


def records(cells: int) -> Words:
    """Empty records of that many cells, each within one line of the processor's cache."""
    room = np.zeros((cells + 1) * RECORD_WORDS, np.uint64)
    skip = -room.ctypes.data % LINE // room.itemsize
    return room[skip : skip + cells * RECORD_WORDS].reshape(cells, RECORD_WORDS)


_TABLE = half_plane_words()


def walk(
    ground: Ground, moves: Moves, travels: Travels, may_lift: Bytes, *, clearance: float, max_height: float,
    max_slope: float = 0.5, climb_blocked: bool = False, vertices: int = 4, strips: Strips | None = None,
) -> Strings:  # fmt: skip
    """Lay the beads of one window and judge its travels; `may_lift` is 1 for those that may be rewritten.

    strips: the window's beads as `Ground.cover` covered them, if it did; the answer is the same.

    clearance: mm kept above obstacles. max_height: mm above the higher end. max_slope: rise per mm of travel.
    climb_blocked: blocked travels get their vertices all the same. vertices: most of them between the two ends.
    """
    n = len(travels.after)
    numbers = np.zeros((4, n))
    status, before, after = np.zeros(n, np.uint8), np.zeros(n, np.uint8), np.zeros(n, np.uint8)
    at = np.zeros(n + 1, np.int64)
    s, z = np.zeros(n * (vertices + 4)), np.zeros(n * (vertices + 4))
    rows = rows_of(moves)
    gaps = Gaps(travels.after, travels.first, travels.last, may_lift)
    curled = np.zeros(len(moves))
    found = Found(status, before, after, numbers, at, s, z, curled)
    pass_window(
        ground.bed, rows, strips or new_strips(0), gaps, ground.question(clearance),
        ground.question_of_head(clearance), max_slope, max_height, climb_blocked, vertices, *ground.hull, found,
    )  # fmt: skip
    used = int(at[-1])
    return Strings(
        status, before, after, numbers[T_TALLEST], numbers[T_PEAK], numbers[T_CLIMB], numbers[T_LENGTH], at, s[:used],
        z[:used], curled,
    )  # fmt: skip
