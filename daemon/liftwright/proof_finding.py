"""The two sides of a gap, and what the proof's kernels find: rows of numbers that proof_text puts into words."""

from typing import NamedTuple

import numpy as np

from liftwright.proof_state import END, ROW_SIZE, RX, START
from liftwright.proof_words import kernel, merged

# What a finding says.
BEAD_CHANGED, BEAD_LOST, BEAD_ADDED, BEAD_RESPELLED = 1, 2, 3, 4
LINE_CHANGED, LINE_LOST, LINE_ADDED, COMMENT_LOST, FORM, PLACE, FEED, UNTOUCHABLE, LINE_END = range(10, 19)
BELOW, OUTSIDE, TOO_HIGH, Z_TOO_FAST, TOO_FAST = range(30, 35)
OFF_THE_WAY, WAY_CUT, WAY_ADDED = range(40, 43)

# A finding: one int64 row. V_A and V_B are line numbers, V_SA to V_EB byte spans in the windows, and from V_NUMBERS on,
# for either file: start X Y Z, then X Y Z E F tool dE of the row.
V_PROMISE, V_CODE, V_A, V_B, V_SA, V_EA, V_SB, V_EB, V_REASON = range(9)
V_NUMBERS = 9
V_SIDE = 10  # numbers of one file
V_SIZE = V_NUMBERS + 2 * V_SIDE
V_ROWS = 64
V_SPARE = 8  # rows that the findings of one gap may need

COUNT, SEEN = range(2)  # how many findings there are; a bit for each promise that has one in this gap


class Side(NamedTuple):
    """One file's part of a gap: its window, the rows (`rows[n]` is the bead, or blank at the file's end), the number of
    the first line, and the machine state before it."""

    text: np.ndarray
    rows: np.ndarray
    n: int
    line: int
    start: np.ndarray


class Found(NamedTuple):
    """Findings met so far, and their tally (COUNT, SEEN)."""

    rows: np.ndarray
    tally: np.ndarray


def new_rows(size: int) -> np.ndarray:
    """Room for the rows of a gap, and one more for the bead that ends it."""
    return np.zeros((size + 1, ROW_SIZE), dtype=np.int64)


def new_found() -> Found:
    return Found(np.zeros((V_ROWS, V_SIZE), dtype=np.int64), np.zeros(2, dtype=np.int64))


@merged
def before(side: Side, k: int, axis: int) -> int:
    """Position in X, Y or Z (0, 1, 2) before row `k`."""
    return int(side.rows[k - 1, RX + axis] if k > 0 else side.start[axis])


@kernel
def report(found: Found, promise: int, code: int, a: Side, i: int, b: Side, j: int, reason: int) -> None:
    """Add a finding about rows `i` and `j`, unless this promise already has one in this gap."""
    bit = 1 << promise
    count = found.tally[COUNT]
    if found.tally[SEEN] & bit or count >= V_ROWS:
        return
    found.tally[SEEN] |= bit
    found.tally[COUNT] += 1
    v = found.rows[count]
    v[V_PROMISE], v[V_CODE], v[V_REASON] = promise, code, reason
    v[V_A], v[V_B] = a.line + i, b.line + j
    v[V_SA], v[V_EA], v[V_SB], v[V_EB] = a.rows[i, START], a.rows[i, END], b.rows[j, START], b.rows[j, END]
    for k in range(3):
        v[V_NUMBERS + k] = before(a, i, k)
        v[V_NUMBERS + V_SIDE + k] = before(b, j, k)
    for k in range(7):
        v[V_NUMBERS + 3 + k] = a.rows[i, RX + k]
        v[V_NUMBERS + V_SIDE + 3 + k] = b.rows[j, RX + k]
