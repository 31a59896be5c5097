"""How far the proof's walk has come in both files, and where the print begins.

The print begins at the first bead after which no homing, probing or unknown command follows within its layer; before
that, and after the last bead, nothing may differ.
"""

import numpy as np

from liftwright.proof_bounds import BEFORE_PRINT
from liftwright.proof_finding import COUNT, UNTOUCHABLE, V_A, V_B, V_CODE, V_PROMISE, V_REASON, Found
from liftwright.proof_words import kernel

# One int64 array.
IA, IB, LINE_A, LINE_B, GA, GB, GLINE_A, GLINE_B = range(8)  # cursors and start of the gap, in bytes and lines
SPLIT, CUT = 8, 9  # the files are read gap by gap; the beginning of the gap is out of the window
CANDIDATE, CANDIDATE_Z, BEGUN, WALL_SEEN = range(10, 14)  # where the print begins, perhaps
PENDING_A, PENDING_B = 14, 15  # lines of the first edit behind a mere candidate
BEADS, TRAVELS, TOUCHED, OWN_LINES = range(16, 20)  # counts
EQUAL, HAS_MOVE = 20, 21  # how far the bytes are known to be equal; the gap holds a move
PROGRESS_SIZE = 22


def new_progress() -> np.ndarray:
    progress = np.zeros(PROGRESS_SIZE, dtype=np.int64)
    progress[[LINE_A, LINE_B, GLINE_A, GLINE_B]] = 1
    return progress


@kernel
def note_bead(c: np.ndarray, z: int, found: Found) -> None:
    """Keep track of where the print begins; a wall within the layer moves it on and condemns edits made so far."""
    if c[BEGUN]:
        return
    if c[CANDIDATE] and z != c[CANDIDATE_Z]:
        c[BEGUN] = 1
    elif c[CANDIDATE] and c[WALL_SEEN]:
        c[CANDIDATE] = 0
        if c[PENDING_A] > 0:
            _condemn(c, found)
    if not c[CANDIDATE]:
        c[CANDIDATE], c[CANDIDATE_Z] = 1, z
    c[WALL_SEEN] = 0


@kernel
def _condemn(c: np.ndarray, found: Found) -> None:
    """The edit stood before the print began; its text is out of the window by now."""
    v = found.rows[found.tally[COUNT]]
    v[:] = 0
    v[V_PROMISE], v[V_CODE], v[V_REASON] = 3, UNTOUCHABLE, BEFORE_PRINT
    v[V_A], v[V_B] = c[PENDING_A], c[PENDING_B]
    found.tally[COUNT] += 1
    c[PENDING_A] = 0
