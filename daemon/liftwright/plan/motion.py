"""Time of a whole job: windows of moves go in, the seconds of every move come out, before and after a rewrite.

A model of what the firmware's planner does, not a simulation of its steps: trapezoidal speed profiles with look-ahead
over all moves up to the next standstill. Left out: homing, waiting for heat, macros and unknown commands (they stop the
head and take no time), and what a firmware does when its buffer runs dry. The extruder alone, a dwell, a tool change
and a wall bring the head to rest. Arcs are moved in chords, as the firmware does.

`CostClock` times the job as it came and as it will leave in one pass; `Clock` times one sequence move by move. Both
take windows in order, need bounded memory, and give the same numbers to the last bit wherever the windows are cut.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import LIMIT
from liftwright.job.moves import Moves
from liftwright.plan.booking import F_BASE, F_N, N_SUMS
from liftwright.plan.limit_commands import after_command
from liftwright.plan.limits import Limits
from liftwright.plan.walk import (
    Books,
    Edits,
    Limiting,
    Notes,
    Rows,
    close,
    new_lanes,
    walk,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

QUEUE = 8192  # moves a lane holds before it books what is final: far beyond any braking distance, small in the cache
MANY_SETS = 4096  # sets of limits remembered; a job that sets more different ones is read more slowly, no more

NO_EDITS = Edits(
    np.zeros(0, np.int64), np.zeros(1, np.int64),
    np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0, np.int32),
)  # fmt: skip


class LimitBook:
    """Follows the limit commands of a job: which set of limits holds from which row on."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._begin()

    def _begin(self) -> None:
        self._sets = [self.limits]
        self._place = {self.limits.key(): 0}
        self._after: list[dict[bytes, int]] = [{}]
        self._vectors = self.limits.vector()[None, :]

    def follow(self, moves: Moves, text: NDArray[np.uint8]) -> Limiting:
        """The sets of limits and where they change within a window; `text` holds the bytes that the rows point into."""
        if len(self._sets) > MANY_SETS:
            self._begin()
        rows = np.flatnonzero(moves.kind == LIMIT)
        view = memoryview(text)  # type: ignore[arg-type]
        now = self._place[self.limits.key()]
        begun = now
        chosen = []
        for start, end in zip(moves.start[rows].tolist(), moves.end[rows].tolist(), strict=True):
            command = bytes(view[start:end])
            after = self._after[now].get(command)
            now = self._read(now, command) if after is None else after
            chosen.append(now)
        self.limits = self._sets[now]
        if len(self._vectors) != len(self._sets):
            self._vectors = np.stack([each.vector() for each in self._sets])
        return Limiting(self._vectors, begun, rows, np.array(chosen, dtype=np.int64))

    def _read(self, now: int, command: bytes) -> int:
        """The set that holds after a command not met before; jobs repeat a few of them thousands of times."""
        limits = after_command(self._sets[now], command)
        place = self._place.setdefault(limits.key(), len(self._sets))
        if place == len(self._sets):
            self._sets.append(limits)
            self._after.append({})
        self._after[now][command] = place
        return place


@dataclass(frozen=True, slots=True)
class Timed:
    """Seconds of the slots from `first` on, before and after (2 × slots); they are final."""

    first: int
    seconds: Floats


class Timer:
    """The lanes, the limits and the books of one job."""

    def __init__(self, limits: Limits, queue: int) -> None:
        self._book = LimitBook(limits)
        self._lanes = new_lanes(queue)
        self._sums = np.zeros((2, N_SUMS))
        self._layers = np.zeros((2, 0))
        self._slots = np.zeros((2, 0))

    @property
    def limits(self) -> Limits:
        """The limits that hold after the last window."""
        return self._book.limits

    def _walk(self, moves: Moves, text: NDArray[np.uint8], notes: Notes, edits: Edits, layers: int, slots: int) -> None:
        self._layers = _widened(self._layers, layers)
        self._slots = _widened(self._slots, slots - int(self._lanes.flow[F_BASE]))
        rows = Rows(
            moves.kind, moves.x, moves.y, moves.z, moves.de, moves.f, moves.frame, moves.frames, moves.value, moves.arc,
            moves.arcs,
        )  # fmt: skip
        walk(*rows, *notes, *self._book.follow(moves, text), *edits, *self._lanes, *self._books())

    def _books(self) -> Books:
        return Books(self._sums, self._layers, self._slots)

    def _take_final(self, next_slot: int) -> Timed:
        """Hand out the slots that no queued move can still add to."""
        flow = self._lanes.flow
        first = int(flow[F_BASE])
        final = next_slot
        for lane in range(2):
            waiting = self._lanes.tags[lane, 0, : flow[F_N + lane]]
            waiting = waiting[waiting >= 0]
            final = min(final, int(waiting[0])) if len(waiting) else final
        seconds = self._slots[:, : final - first].copy()
        self._slots = self._slots[:, final - first :].copy()
        flow[F_BASE] = final
        return Timed(first, seconds)


def _widened(table: Floats, columns: int) -> Floats:
    """The table with zeros up to at least that many columns."""
    if columns <= table.shape[1]:
        return table
    return np.concatenate([table, np.zeros((2, columns - table.shape[1]))], axis=1)


class Clock(Timer):
    """Times one sequence of moves. Rows are numbered from 0 through the whole job, START rows left out."""

    def __init__(self, limits: Limits, queue: int = QUEUE) -> None:
        super().__init__(limits, queue)
        self._rows = 0

    @property
    def seconds(self) -> float:
        """Seconds of all moves that are final."""
        return float(self._sums[0, 0])

    @property
    def sums(self) -> Floats:
        """Everything summed of the moves that are final (columns TOTAL to REVERSALS of booking.py)."""
        sums: Floats = self._sums[0]
        return sums

    def add(self, moves: Moves, text: NDArray[np.uint8]) -> Timed:
        """Add a window; returns what became final: seconds of the rows from `first` on (row 0 of the table)."""
        rows = len(moves)
        slot = np.arange(self._rows - 1, self._rows - 1 + rows)
        self._rows += rows - 1
        notes = Notes(slot, np.full(rows, -1, np.int64), np.full(rows, np.inf), np.zeros(rows, np.bool_))
        self._walk(moves, text, notes, NO_EDITS, 0, self._rows)
        return self._take_final(self._rows)

    def finish(self) -> Timed:
        """The job ends and the head stands still: the rest is final."""
        close(*self._lanes, *self._books())
        return self._take_final(self._rows)
