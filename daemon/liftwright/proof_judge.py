"""All promises that speak about one gap and the bead that ends it, when both files' rows are known."""

import numpy as np

from liftwright.proof_bounds import AFTER_PRINT, BEFORE_PRINT, TOO_LONG, judge_path, untouchable
from liftwright.proof_finding import (
    BEAD_ADDED,
    BEAD_CHANGED,
    BEAD_LOST,
    BEAD_RESPELLED,
    SEEN,
    UNTOUCHABLE,
    Found,
    Side,
    before,
    report,
)
from liftwright.proof_gap import align, retractions
from liftwright.proof_lines import active, same_line
from liftwright.proof_progress import BEGUN, CANDIDATE, CUT, OWN_LINES, PENDING_A, PENDING_B, TOUCHED
from liftwright.proof_state import (
    BEAD,
    CODE,
    KIND,
    MOVE,
    QXY,
    QZE,
    RDE,
    RE,
    RF,
    RI,
    RJ,
    RP,
    RR,
    RTOOL,
    RX,
    RY,
    RZ,
)
from liftwright.proof_words import kernel


@kernel
def judge_gap(
    a: Side, b: Side, c: np.ndarray, percent: int, limits: np.ndarray, found: Found, kept: np.ndarray
) -> None:
    """Report what is wrong with the gap; `c` is the walk's progress, `percent` the highest feed override in the gap."""
    found.tally[SEEN] = 0
    _judge_beads(a, b, found)
    first = _first_difference(a, b)
    if first < 0:
        return
    c[TOUCHED] += 1
    retractions(a, b, found)
    align(a, b, found, kept)
    reason = _reason(a, c, limits)
    if reason:
        report(found, 3, UNTOUCHABLE, a, min(first, a.n), b, min(first, b.n), reason)
    elif not c[BEGUN] and c[PENDING_A] == 0:
        c[PENDING_A], c[PENDING_B] = a.line + first, b.line + first
    if a.rows[a.n, KIND] == BEAD:
        judge_path(a, b, percent, limits, found)
    b0, b1 = active(b)
    for j in range(b0, b1):
        c[OWN_LINES] += 1 if b.rows[j, KIND] == MOVE and kept[j] == 0 else 0


@kernel
def _reason(a: Side, c: np.ndarray, limits: np.ndarray) -> int:
    """Why this gap may not be edited, or 0."""
    if c[CUT]:
        return TOO_LONG
    if a.rows[a.n, KIND] != BEAD:
        return AFTER_PRINT
    if not c[BEGUN] and not c[CANDIDATE]:
        return BEFORE_PRINT
    return untouchable(a, limits)


@kernel
def _first_difference(a: Side, b: Side) -> int:
    """Index of the first row that differs, or -1 if the rows before the beads are the same."""
    for k in range(min(a.n, b.n)):
        if not same_line(a, k, b, k):
            return k
    return -1 if a.n == b.n else min(a.n, b.n)


@kernel
def _judge_beads(a: Side, b: Side, found: Found) -> None:
    """Compare the beads that end the gap in both files: promise 1, or 3 if they are only written differently."""
    here, there = a.rows[a.n, KIND] == BEAD, b.rows[b.n, KIND] == BEAD
    if here and there:
        if not _same_bead(a, b):
            report(found, 1, BEAD_CHANGED, a, a.n, b, b.n, 0)
        elif not same_line(a, a.n, b, b.n):
            report(found, 3, BEAD_RESPELLED, a, a.n, b, b.n, 0)
    elif here or there:
        report(found, 1, BEAD_LOST if here else BEAD_ADDED, a, a.n, b, b.n, 0)


@kernel
def _same_bead(a: Side, b: Side) -> bool:
    """Whether both beads push the same filament along the same path at the same feed with the same tool."""
    ra, rb = a.rows[a.n], b.rows[b.n]
    for k in range(3):
        if before(a, a.n, k) != before(b, b.n, k):
            return False
    for k in (RX, RY, RZ, RDE, RF, RTOOL, QXY, QZE, RE):
        if ra[k] != rb[k]:
            return False
    if ra[CODE] <= 10:
        return bool(rb[CODE] <= 10)
    for k in (CODE, RI, RJ, RR, RP):  # noqa: SIM110 (a generator would not compile)
        if ra[k] != rb[k]:
            return False
    return True
