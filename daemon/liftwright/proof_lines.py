"""Single lines of a gap: which are the same, which may be edited, which are ours, and whose comments they hold.

1. Only moves after the last wipe or retraction and before the first prime after it may be edited: the active rows. A
   tool change ends them; what stands behind it isn't looked at.
2. A line of our own is G0 or G1 with X, Y and Z (in G91 any of them), or a job's arc with a Z word, or a bare feed; it
   carries no comment but ours, and a line end that the job's own moves have.
"""

import numpy as np

from liftwright.proof_finding import Side
from liftwright.proof_state import (
    B_F,
    B_I,
    B_J,
    B_P,
    B_R,
    B_XYZ,
    B_Z,
    BACK,
    BEAD,
    CHANGES,
    CODE,
    COMMENT,
    END,
    FLAGS,
    FORWARD,
    KIND,
    MASK,
    MOVE,
    NEXT,
    NUMBERED,
    RELATIVE,
    RF,
    START,
    UNSURE,
)
from liftwright.proof_words import kernel, merged


@merged
def same_bytes(a: np.ndarray, a0: int, a1: int, b: np.ndarray, b0: int, b1: int) -> bool:
    """Whether two byte spans are equal."""
    if a1 - a0 != b1 - b0:
        return False
    for k in range(a1 - a0):  # noqa: SIM110 (a generator would not compile)
        if a[a0 + k] != b[b0 + k]:
            return False
    return True


@merged
def same_line(a: Side, i: int, b: Side, j: int) -> bool:
    """Whether two lines are byte-identical, line end included; a last line that had none may have been given one."""
    ra, rb = a.rows[i], b.rows[j]
    if ra[END] == ra[NEXT]:
        return same_bytes(a.text, ra[START], ra[END], b.text, rb[START], rb[END])
    return same_bytes(a.text, ra[START], ra[NEXT], b.text, rb[START], rb[NEXT])


@merged
def active(side: Side) -> tuple[int, int]:
    """Half-open range of the rows that a lift may edit."""
    first, stop = 0, tool_change_of(side)
    for k in range(stop):
        if side.rows[k, KIND] == BACK:
            first = k + 1
    last = first
    while last < stop and side.rows[last, KIND] != FORWARD and side.rows[last, KIND] != BEAD:
        last += 1
    return first, last


@merged
def tool_change_of(side: Side) -> int:
    """The row of the gap's first tool change, or of the bead that ends the gap."""
    stop = 0
    while stop < side.n and side.rows[stop, FLAGS] & CHANGES == 0:
        stop += 1
    return stop


@merged
def moves_until(side: Side, k: int, first: int, last: int) -> int:
    """End of the run of active moves that begins at row `k`; `k` itself if it is none."""
    while first <= k < last and side.rows[k, KIND] == MOVE:
        k += 1
    return k


@kernel
def own_comment(b: np.ndarray, i: int, end: int) -> bool:
    """Whether the comment is ours: `;lw ` + a word + ` +` + a height with two decimals."""
    if end - i < 11 or b[i] != 59 or b[i + 1] != 108 or b[i + 2] != 119 or b[i + 3] != 32:
        return False
    i += 4
    first = i
    while i < end and 97 <= b[i] <= 122:
        i += 1
    if i == first or end - i < 6 or b[i] != 32 or b[i + 1] != 43:
        return False
    i += 2
    first = i
    while i < end and 48 <= b[i] <= 57:
        i += 1
    return i > first and end - i == 3 and b[i] == 46 and 48 <= b[i + 1] <= 57 and 48 <= b[i + 2] <= 57


@merged
def well_formed(b: Side, j: int) -> bool:
    """Whether a move that isn't the job's own line is one of the forms that we write."""
    row = b.rows[j]
    mask = row[MASK]
    if row[COMMENT] >= 0 and not own_comment(b.text, row[COMMENT], row[END]):
        return False
    if row[FLAGS] & (UNSURE | NUMBERED):
        return False
    if row[CODE] >= 20:
        return bool(mask & B_Z != 0 and mask & ~(B_XYZ | B_F | B_I | B_J | B_R | B_P) == 0)
    if mask & B_F and row[RF] <= 0:
        return False
    if mask == B_F:
        return True
    if mask & ~(B_XYZ | B_F):
        return False
    return bool(mask & B_XYZ == B_XYZ or (row[FLAGS] & RELATIVE != 0 and mask & B_XYZ != 0))


@merged
def line_end_known(a: Side, b: Side, j: int) -> bool:
    """Whether row `j` ends as one of the job's moves in this gap does."""
    for k in range(a.n):
        row = a.rows[k]
        if row[KIND] == MOVE and same_bytes(a.text, row[END], row[NEXT], b.text, b.rows[j, END], b.rows[j, NEXT]):
            return True
    return False


@kernel
def _next_comment(a: np.ndarray, i: int, end: int) -> tuple[int, int]:
    """Span of the first comment at or after `i` in a move line, (end, end) if none."""
    while i < end and a[i] != 59 and a[i] != 40:
        i += 1
    if i >= end or a[i] == 59:
        return i, end
    k = i
    while k < end and a[k] != 41:
        k += 1
    return i, min(k + 1, end)


@kernel
def take_comments(a: Side, k: int, at: int, stop: int, b: Side, j: int) -> tuple[bool, int, int]:
    """Find the comments on line `j` among those of edited rows from row `k`, byte `at`, on, up to row `stop`.

    Returns (all found, row, byte) behind the last comment taken. Comments of ours may be passed over.
    """
    i, end = b.rows[j, COMMENT], b.rows[j, END]
    while k < stop:
        row = a.rows[k]
        first, last = 0, 0
        if row[COMMENT] >= 0:
            first, last = _next_comment(a.text, max(at, row[COMMENT]), row[END])
        if first >= last:
            k += 1
            at = 0
        elif i + last - first <= end and same_bytes(a.text, first, last, b.text, i, i + last - first):
            i += last - first
            at = last
            while i < end and (b.text[i] == 32 or b.text[i] == 9):
                i += 1
            if i >= end:
                return True, k, at
        elif own_comment(a.text, first, last):
            at = last
        else:
            break
    return False, k, at


@merged
def comment_left(a: Side, k: int, at: int, stop: int) -> int:
    """First row from `k`, byte `at`, to `stop` with a comment of the job that hasn't been taken, or -1."""
    while k < stop:
        row = a.rows[k]
        first, last = 0, 0
        if row[COMMENT] >= 0:
            first, last = _next_comment(a.text, max(at, row[COMMENT]), row[END])
        if first >= last:
            k += 1
            at = 0
        elif own_comment(a.text, first, last):
            at = last
        else:
            return k
    return -1
