"""What the lifts of a job cost: windows of the job and the moves that replace some rows go in, a summary comes out.

`CostClock` times the job as it came and as it will leave, side by side (`motion.py` states the model and its limits).
Besides seconds it counts what wears or strings: Z stroke, how often the Z motor starts and turns round, the time the
nozzle travels in the air (above both ends of its travel) and the time it travels unretracted. The last two stand in for
stringing; no published figure ties strings to time or distance.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import BEAD, TRAVEL
from liftwright.job.moves import Moves
from liftwright.kernels import kernel
from liftwright.plan.booking import AFTER, AIR, BEFORE, REVERSALS, STARTS, STROKE, TOTAL, TRAVELLING, UNRETRACTED
from liftwright.plan.limits import Limits
from liftwright.plan.motion import NO_EDITS, QUEUE, Timed, Timer
from liftwright.plan.travels import LAYER_STEP_MM, Travels
from liftwright.plan.walk import Edits, Notes, close

MOST_LAYERS = (
    100_000  # kept apart; a print of 300 mm in the finest layers has some 6000. Later ones count with the last
)

# Slots of the state that follows the layers.
Y_Z, Y_HEIGHT, Y_COUNT, Y_TRAVELS, N_LAYER_STATE = range(5)


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the comparison: s, mm, counts."""

    seconds: float
    travel_s: float
    air_s: float
    unretracted_s: float
    z_stroke_mm: float
    z_starts: int
    z_reversals: int


@dataclass(frozen=True, slots=True)
class Cost:
    """A job before and after; `assumed`: limits taken from sample configurations, `set_by_job`: the job's own."""

    before: Side
    after: Side
    model: str
    assumed: tuple[str, ...]
    set_by_job: tuple[str, ...]

    @property
    def added_s(self) -> float:
        """Seconds that the lifts add; negative where they save."""
        return self.after.seconds - self.before.seconds

    @property
    def added_percent(self) -> float:
        """The same as a share of the job; 0 for a job that takes no time."""
        return 100.0 * self.added_s / self.before.seconds if self.before.seconds else 0.0

    @property
    def added_z_reversals(self) -> int:
        """How much more often the Z motor turns round."""
        return self.after.z_reversals - self.before.z_reversals

    def measures(self) -> Mapping[str, float]:
        """The figures of the record, rounded to a microsecond or micrometre: noise beyond says nothing."""
        out = {"added_s": self.added_s, "added_percent": self.added_percent}
        for when, side in (("before", self.before), ("after", self.after)):
            out |= {
                f"seconds_{when}": side.seconds,
                f"travel_s_{when}": side.travel_s,
                f"air_s_{when}": side.air_s,
                f"unretracted_s_{when}": side.unretracted_s,
                f"z_stroke_mm_{when}": side.z_stroke_mm,
                f"z_starts_{when}": float(side.z_starts),
                f"z_reversals_{when}": float(side.z_reversals),
            }
        return {name: round(value, 6) for name, value in out.items()}


@dataclass(frozen=True, slots=True)
class LayerTimes:
    """Layers in the order of printing: their height above the bed in mm, seconds before and after.

    A layer begins with its first bead; the gap before it still belongs to the layer below. Where the job starts anew
    from below, so does a new layer at a height that was there before. At most `MOST_LAYERS`.
    """

    z: NDArray[np.float64]
    before: NDArray[np.float64]
    after: NDArray[np.float64]


class CostClock(Timer):
    """Times a job before and after its rewrite, window by window.

    begin_line: the line of the bead with which the print begins; rows before it belong to no layer.
    """

    def __init__(self, limits: Limits, begin_line: int = 0, queue: int = QUEUE) -> None:
        super().__init__(limits, queue)
        self._begin_line = begin_line
        self._layer_state = np.zeros(N_LAYER_STATE)
        self._layer_z = np.zeros(64)
        self.layer_of_row = np.zeros(0, np.int64)

    def add(self, moves: Moves, text: NDArray[np.uint8], travels: Travels, edits: Edits = NO_EDITS) -> Timed:
        """Add a window with its travels and the rows that are replaced.

        Returns the seconds of the travels that became final; travels are numbered from 0 through the whole job.
        `layer_of_row` then has the layer of each row of this window, -1 before the print.
        """
        rows = len(moves)
        room = min(int(self._layer_state[Y_COUNT]) + rows, MOST_LAYERS)
        if len(self._layer_z) < room:
            self._layer_z = np.concatenate([self._layer_z, np.zeros(room)])
        notes = Notes(np.empty(rows, np.int64), np.empty(rows, np.int64), np.empty(rows), np.empty(rows, np.bool_))
        _note(
            moves.kind, moves.known, moves.line, moves.z, self._begin_line, travels.first, travels.last, travels.z0,
            travels.z1, travels.retracted, self._layer_state, self._layer_z,
            notes.slot, notes.layer, notes.ceiling, notes.unretracted,
        )  # fmt: skip
        self.layer_of_row = notes.layer
        self._walk(moves, text, notes, edits, int(self._layer_state[Y_COUNT]), int(self._layer_state[Y_TRAVELS]))
        return self._take_final(int(self._layer_state[Y_TRAVELS]))

    def finish(self) -> Timed:
        """The job ends and the head stands still: the rest is final."""
        close(*self._lanes, *self._books())
        return self._take_final(int(self._layer_state[Y_TRAVELS]))

    def cost(self) -> Cost:
        """The summary of all that is final."""
        before, after = (_side(self._sums[lane]) for lane in (BEFORE, AFTER))
        limits = self.limits
        return Cost(before, after, limits.model, tuple(sorted(limits.assumed)), tuple(sorted(limits.from_job)))

    def layers(self) -> LayerTimes:
        """Seconds of each layer, of all that is final."""
        n = int(self._layer_state[Y_COUNT])
        return LayerTimes(self._layer_z[:n].copy(), self._layers[BEFORE, :n].copy(), self._layers[AFTER, :n].copy())


def _side(sums: NDArray[np.float64]) -> Side:
    return Side(
        float(sums[TOTAL]), float(sums[TRAVELLING]), float(sums[AIR]), float(sums[UNRETRACTED]), float(sums[STROKE]),
        int(sums[STARTS]), int(sums[REVERSALS]),
    )  # fmt: skip


@kernel
def _note(
    kind: np.ndarray, known: np.ndarray, line: np.ndarray, z: np.ndarray, begin_line: int,
    first: np.ndarray, last: np.ndarray, z0: np.ndarray, z1: np.ndarray, retracted: np.ndarray,
    state: np.ndarray, layer_z: np.ndarray,
    slot: np.ndarray, layer: np.ndarray, ceiling: np.ndarray, unretracted: np.ndarray,
) -> None:  # fmt: skip
    """Note for each row of a window its travel, layer, the higher end of its travel (inf outside), and retraction."""
    travel = 0
    count = int(state[Y_COUNT])
    for i in range(len(kind)):
        if kind[i] == BEAD and line[i] >= begin_line and known[i] == 1:
            # The rule of travels.py: each step upward, and anew when height drops by more than one layer.
            drop = max(1.5 * state[Y_HEIGHT], LAYER_STEP_MM)
            if count == 0 or z[i] < state[Y_Z] - drop or z[i] > state[Y_Z] + LAYER_STEP_MM:
                rising = count > 0 and z[i] > state[Y_Z]
                state[Y_HEIGHT] = z[i] - state[Y_Z] if rising else 0.0
                state[Y_Z] = z[i]
                if count < MOST_LAYERS:
                    layer_z[count] = z[i]
                    count += 1
        while travel < len(first) and last[travel] <= i:
            travel += 1
        inside = kind[i] == TRAVEL and travel < len(first) and first[travel] <= i
        slot[i] = int(state[Y_TRAVELS]) + travel if inside else -1
        layer[i] = count - 1
        ceiling[i] = max(z0[travel], z1[travel]) if inside else np.inf
        unretracted[i] = inside and retracted[travel] == 0
    state[Y_COUNT] = count
    state[Y_TRAVELS] += len(first)
