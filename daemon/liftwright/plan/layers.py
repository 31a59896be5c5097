"""What is known of each layer besides its time: how much of it overhangs, and how fast the fan turns.

In: windows of moves with the layer of each row (cost.py), the bytes they point into, and, where the terrain was looked
at, how much of each row's bead was given an allowance for curl. Out: shares weighted with the length of the beads.

The fan is that of the part: M106 S0 to S255 without a P word, or with P0; M106 alone is full, M107 stands still
(Marlin, Klipper: docs of M106). Other fans count nothing.
"""

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import A_CX, A_CY, A_SWEEP, BEAD, NOTE
from liftwright.job.moves import Moves
from liftwright.kernels import kernel
from liftwright.plan.cost import LayerTimes

FAN_ON, FAN_OFF = 106, 107
FULL = 255.0
_WORD = re.compile(rb"([SP])\s*(\d*\.?\d+)")

MOST_LISTED = 2000  # layers in the record; later ones are counted there, not listed
# Common practice, no source: a layer that overhangs and takes less than a quarter of a minute wants its fan full.
SHORT_S = 15.0
FAN_FULL = 0.95
MUCH_CURLED = 0.1  # share of a layer's beads; a tenth is our own choice

# Rows of the sums, one column a layer: mm of beads, mm times the fan's share, mm given an allowance for curl.
B_BEADS, B_FAN, B_CURLED, N_SUMS = range(4)


@dataclass(frozen=True, slots=True)
class LayerShares:
    """For each layer: the fan's mean speed, and the share of its beads with an allowance for curl; 0 to 1.

    `curled` None: nobody looked at the terrain.
    """

    fan: NDArray[np.float64]
    curled: NDArray[np.float64] | None


class LayerBook:
    """Sums over all windows of a job."""

    def __init__(self) -> None:
        self._sums = np.zeros((N_SUMS, 64))
        self._fan = np.zeros(1)
        self._looked = False

    def add(
        self, moves: Moves, text: NDArray[np.uint8], layer: NDArray[np.int64], curled: NDArray[np.float64] | None
    ) -> None:
        """Add one window; `layer` of each row, -1 for none."""
        room = int(layer.max(initial=-1)) + 1
        if room > self._sums.shape[1]:
            self._sums = np.concatenate([self._sums, np.zeros((N_SUMS, room))], axis=1)
        self._looked |= curled is not None
        rows, speeds = _fan_changes(moves, text)
        _add(
            moves.kind, moves.x, moves.y, moves.arc, moves.arcs, layer, np.zeros(0) if curled is None else curled,
            rows, speeds, self._fan, self._sums,
        )  # fmt: skip

    def shares(self, layers: int) -> LayerShares:
        """The shares of the first `layers` layers."""
        sums = np.zeros((N_SUMS, layers))
        known = min(layers, self._sums.shape[1])
        sums[:, :known] = self._sums[:, :known]
        beads = np.maximum(sums[B_BEADS], 1e-9)
        return LayerShares(sums[B_FAN] / beads, np.minimum(sums[B_CURLED] / beads, 1.0) if self._looked else None)


def _fan_changes(moves: Moves, text: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The rows that set the part's fan, and its speed from there on, 0 to 1."""
    rows, speeds = [], []
    for row in np.flatnonzero(moves.kind == NOTE).tolist():
        if moves.value[row] not in (FAN_ON, FAN_OFF):
            continue
        command = bytes(text[moves.start[row] : moves.end[row]])
        words = dict(_WORD.findall(command.partition(b";")[0].upper().partition(b"M10")[2][1:]))
        if float(words.get(b"P", 0)) == 0:
            rows.append(row)
            speed = float(words.get(b"S", FULL)) if moves.value[row] == FAN_ON else 0.0
            speeds.append(min(speed / FULL, 1.0))
    return np.array(rows, np.int64), np.array(speeds, np.float64)


@kernel
def _add(
    kind: np.ndarray, x: np.ndarray, y: np.ndarray, arc: np.ndarray, arcs: np.ndarray, layer: np.ndarray,
    curled: np.ndarray, rows: np.ndarray, speeds: np.ndarray, fan: np.ndarray, sums: np.ndarray,
) -> None:  # fmt: skip
    k = 0
    speed = fan[0]
    for i in range(1, len(kind)):
        if k < len(rows) and rows[k] == i:
            speed = speeds[k]
            k += 1
        at = layer[i]
        if at < 0:
            continue
        if len(curled) > 0:
            sums[B_CURLED, at] += curled[i]
        if kind[i] == BEAD:
            if arc[i] >= 0:
                radius = math.hypot(x[i - 1] - arcs[A_CX, arc[i]], y[i - 1] - arcs[A_CY, arc[i]])
                length = radius * abs(arcs[A_SWEEP, arc[i]])
            else:
                dx, dy = x[i] - x[i - 1], y[i] - y[i - 1]
                length = math.sqrt(dx * dx + dy * dy)
            sums[B_BEADS, at] += length
            sums[B_FAN, at] += length * speed
    fan[0] = speed


def listed(times: LayerTimes, shares: LayerShares) -> dict[str, list[float]]:
    """The first layers as lists of equal length: mm, seconds, shares."""
    columns = {
        "z_mm": (times.z, 3), "seconds_before": (times.before, 2), "seconds_after": (times.after, 2),
        "fan": (shares.fan, 2),
    }  # fmt: skip
    if shares.curled is not None:
        columns["overhang"] = (shares.curled, 3)
    return {name: np.round(column[:MOST_LISTED], places).tolist() for name, (column, places) in columns.items()}


def short_of_cooling(times: LayerTimes, shares: LayerShares) -> NDArray[np.int64]:
    """The layers that overhang much, are soon over and have their fan below full; none where nobody looked."""
    if shares.curled is None:
        return np.zeros(0, np.int64)
    return np.flatnonzero((shares.curled >= MUCH_CURLED) & (times.after < SHORT_S) & (shares.fan < FAN_FULL))


def progress_off(times: LayerTimes) -> float:
    """The farthest that the share done, as the job's own times have it, is off at the end of any layer; 0 to 1."""
    before, after = times.before.sum(), times.after.sum()
    if before <= 0.0 or after <= 0.0:
        return 0.0
    return float(np.abs(np.cumsum(times.before) / before - np.cumsum(times.after) / after).max(initial=0.0))
