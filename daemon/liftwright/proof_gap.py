"""What stands between two beads, line by line: which lines may differ, and whether the others are all still there.

In: the rows of the gap in both files (proof_reader). Out: findings, at most one for each promise and gap.

1. Only moves after the last wipe or retraction and before the first prime after it may be edited: the active rows.
2. Every other line is fixed: byte-identical, in order, and met at the same place (E lines at the same height, too).
3. An edited line's comments stay, byte for byte, on lines of their own, before the next fixed line.
4. A line of our own is G0 or G1 with X, Y and Z, or a job's arc with a Z word, or a bare feed; it carries no comment
   but ours.
"""

import numpy as np

from liftwright.proof_reader import (
    B_F,
    B_I,
    B_J,
    B_P,
    B_R,
    B_XYZ,
    B_Z,
    BACK,
    BEAD,
    CODE,
    COMMENT,
    END,
    FLAGS,
    FORWARD,
    KIND,
    MASK,
    MOVE,
    NEXT,
    NOTE,
    NUMBERED,
    QXY,
    QZE,
    RDE,
    RE,
    RELATIVE,
    RF,
    RI,
    RJ,
    ROW_SIZE,
    RP,
    RR,
    RTOOL,
    RX,
    RY,
    RZ,
    START,
    UNSURE,
)
from liftwright.proof_words import kernel

# What a finding says; the wording is in proof_text.
BEAD_CHANGED, BEAD_LOST, BEAD_ADDED, BEAD_RESPELLED = 1, 2, 3, 4
LINE_CHANGED, LINE_LOST, LINE_ADDED, COMMENT_LOST, FORM, PLACE, FEED, UNTOUCHABLE, LINE_END = range(10, 19)
BELOW, OUTSIDE, TOO_HIGH, Z_TOO_FAST, TOO_FAST = range(30, 35)
OFF_THE_WAY, WAY_CUT, WAY_ADDED = range(40, 43)

# Findings: one int64 row each. V_A and V_B are line numbers, V_SA to V_EB byte spans in the windows, and from V_NUMBERS
# on, for either file: start X Y Z, then X Y Z E F tool dE of the row.
V_PROMISE, V_CODE, V_A, V_B, V_SA, V_EA, V_SB, V_EB, V_REASON = range(9)
V_NUMBERS = 9
V_SIZE = 9 + 20
V_ROWS = 64

LOOK_AHEAD = 256  # rows searched for a kept move's twin, so that odd gaps can't take quadratic time


@kernel
def same_bytes(a: np.ndarray, a0: int, a1: int, b: np.ndarray, b0: int, b1: int) -> bool:
    """Whether two byte spans are equal."""
    if a1 - a0 != b1 - b0:
        return False
    for k in range(a1 - a0):  # noqa: SIM110 (a generator would not compile)
        if a[a0 + k] != b[b0 + k]:
            return False
    return True


@kernel
def same_line(a: np.ndarray, ra: np.ndarray, b: np.ndarray, rb: np.ndarray) -> bool:
    """Whether two lines are byte-identical, line end included; a last line that had none may have been given one."""
    if ra[END] == ra[NEXT]:
        return same_bytes(a, ra[START], ra[END], b, rb[START], rb[END])
    return same_bytes(a, ra[START], ra[NEXT], b, rb[START], rb[NEXT])


@kernel
def active(rows: np.ndarray, n: int) -> tuple[int, int]:
    """Half-open range of the rows that a lift may edit."""
    first = 0
    for k in range(n):
        if rows[k, KIND] == BACK:
            first = k + 1
    last = first
    while last < n and rows[last, KIND] != FORWARD and rows[last, KIND] != BEAD:
        last += 1
    return first, last


@kernel
def report(
    found: np.ndarray,
    count: int,
    seen: int,
    promise: int,
    code: int,
    line_a: int,
    ra: np.ndarray,
    line_b: int,
    rb: np.ndarray,
    reason: int,
) -> tuple[int, int]:
    """Add a finding unless this promise already has one in this gap; returns (count, seen)."""
    bit = 1 << promise
    if seen & bit or count >= V_ROWS:
        return count, seen
    v = found[count]
    v[:] = 0
    v[V_PROMISE], v[V_CODE], v[V_REASON] = promise, code, reason
    v[V_A], v[V_B] = line_a, line_b
    v[V_SA], v[V_EA], v[V_SB], v[V_EB] = ra[START], ra[END], rb[START], rb[END]
    for k in range(7):
        v[V_NUMBERS + 3 + k] = ra[RX + k]
        v[V_NUMBERS + 13 + k] = rb[RX + k]
    return count + 1, seen | bit


@kernel
def same_bead(ra: np.ndarray, rb: np.ndarray, start_a: tuple[int, int, int], start_b: tuple[int, int, int]) -> bool:
    """Whether two bead rows push the same filament along the same path at the same feed with the same tool."""
    for k in range(3):
        if start_a[k] != start_b[k]:
            return False
    for k in (RX, RY, RZ, RDE, RF, RTOOL, QXY, QZE, RE):
        if ra[k] != rb[k]:
            return False
    if ra[CODE] > 10 and not (ra[RI] == rb[RI] and ra[RJ] == rb[RJ] and ra[RR] == rb[RR] and ra[RP] == rb[RP]):
        return False  # only an arc's row has them: what stands there in other rows is left over
    return bool((ra[CODE] <= 10) == (rb[CODE] <= 10) and (ra[CODE] <= 10 or ra[CODE] == rb[CODE]))


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


@kernel
def _well_formed(b: np.ndarray, row: np.ndarray) -> bool:
    """Whether a move that isn't the job's own line is one of the forms that we write."""
    mask = row[MASK]
    if row[COMMENT] >= 0 and not own_comment(b, row[COMMENT], row[END]):
        return False
    if row[FLAGS] & (UNSURE | NUMBERED) or row[START] == row[END]:
        return False
    if row[CODE] >= 20:
        return bool(mask & B_Z != 0 and mask & ~(B_XYZ | B_F | B_I | B_J | B_R | B_P) == 0)
    if mask == B_F:
        return bool(row[RF] > 0)
    if mask & ~(B_XYZ | B_F) or (mask & B_F and row[RF] <= 0):
        return False
    return bool(mask & B_XYZ == B_XYZ or (row[FLAGS] & RELATIVE != 0 and mask & B_XYZ != 0))


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
def _take_comments(
    a: np.ndarray, rows: np.ndarray, k: int, at: int, stop: int, b: np.ndarray, rb: np.ndarray
) -> tuple[bool, int, int]:
    """Find the comments on line `rb` among those of edited rows from row `k`, byte `at`, on.

    Returns (all found, row, byte) behind the last comment taken.
    """
    i, end = rb[COMMENT], rb[END]
    while True:
        while k < stop:
            if rows[k, KIND] == MOVE and rows[k, COMMENT] >= 0:
                first, last = _next_comment(a, max(at, rows[k, COMMENT]), rows[k, END])
                if first < last:
                    if i + (last - first) <= end and same_bytes(a, first, last, b, i, i + last - first):
                        break
                    if not own_comment(a, first, last):
                        return False, k, at
                    at = last
                    continue
            k += 1
            at = 0
        if k >= stop:
            return False, k, at
        i += last - first
        at = last
        while i < end and (b[i] == 32 or b[i] == 9):
            i += 1
        if i >= end:
            return True, k, at


@kernel
def _comment_left(a: np.ndarray, rows: np.ndarray, k: int, at: int, stop: int) -> int:
    """First row from `k` to `stop` with a comment of the job that hasn't been taken, or -1; our own may go."""
    while k < stop:
        if rows[k, COMMENT] >= 0:
            first, last = _next_comment(a, max(at, rows[k, COMMENT]), rows[k, END])
            if first < last:
                if not own_comment(a, first, last):
                    return k
                at = last
                continue
        k += 1
        at = 0
    return -1


@kernel
def _line_end_known(a: np.ndarray, rows: np.ndarray, n: int, b: np.ndarray, rb: np.ndarray) -> bool:
    """Whether the line's end is one that the job's moves in this gap have."""
    for k in range(n):
        if rows[k, KIND] == MOVE and same_bytes(a, rows[k, END], rows[k, NEXT], b, rb[END], rb[NEXT]):
            return True
    return False


@kernel
def _same_place(la: np.ndarray, i: int, lb: np.ndarray, j: int, start_a: np.ndarray, start_b: np.ndarray) -> bool:
    """Whether a fixed line is met at the same XY; E lines and moves also at the same Z and E, before and after."""
    ra, rb = la[i], lb[j]
    exact = ra[KIND] == BACK or ra[KIND] == FORWARD or ra[KIND] == MOVE
    for k in range(3 if exact else 2):
        before_a = la[i - 1, RX + k] if i > 0 else start_a[k]
        before_b = lb[j - 1, RX + k] if j > 0 else start_b[k]
        if before_a != before_b or ra[RX + k] != rb[RX + k]:
            return False
    if exact:
        return bool(ra[RE] == rb[RE] and ra[RDE] == rb[RDE] and ra[RTOOL] == rb[RTOOL] and ra[QZE] == rb[QZE])
    return bool(ra[QXY] == rb[QXY])


@kernel
def _promise_of(kind: int) -> int:
    return 2 if kind == BACK or kind == FORWARD else 1 if kind == BEAD else 3


@kernel
def _next_push(rows: np.ndarray, k: int, n: int) -> int:
    """The next row from `k` on that moves filament without laying a bead."""
    while k < n and rows[k, KIND] != BACK and rows[k, KIND] != FORWARD:
        k += 1
    return k


@kernel
def retractions(
    a: np.ndarray,
    la: np.ndarray,
    na: int,
    line_a: int,
    b: np.ndarray,
    lb: np.ndarray,
    nb: int,
    line_b: int,
    start_a: np.ndarray,
    start_b: np.ndarray,
    found: np.ndarray,
    count: int,
    seen: int,
) -> tuple[int, int]:
    """Compare the wipes, retractions and primes of a gap by themselves, whatever became of the lines between them."""
    i, j = _next_push(la, 0, na), _next_push(lb, 0, nb)
    while i < na or j < nb:
        code = 0
        if i == na or j == nb:
            code = LINE_ADDED if i == na else LINE_LOST
        elif not same_line(a, la[i], b, lb[j]):
            later_a, later_b = _next_push(la, i + 1, na), _next_push(lb, j + 1, nb)
            code = LINE_CHANGED
            if later_a < na and same_line(a, la[later_a], b, lb[j]):
                code = LINE_LOST
            elif later_b < nb and same_line(a, la[i], b, lb[later_b]):
                code = LINE_ADDED
        elif not _same_place(la, i, lb, j, start_a, start_b):
            code = PLACE
        elif la[i, RF] != lb[j, RF]:
            code = FEED
        if code:
            return report(found, count, seen, 2, code, line_a + i, la[i], line_b + j, lb[j], 0)
        i, j = _next_push(la, i + 1, na), _next_push(lb, j + 1, nb)
    return count, seen


@kernel
def align(
    a: np.ndarray,
    la: np.ndarray,
    na: int,
    line_a: int,
    b: np.ndarray,
    lb: np.ndarray,
    nb: int,
    line_b: int,
    start_a: np.ndarray,
    start_b: np.ndarray,
    found: np.ndarray,
    count: int,
    seen: int,
    kept: np.ndarray,
) -> tuple[int, int]:
    """Check rules 1 to 4 of this module; `kept[j]` becomes 1 for moves of the rewritten job that are the job's own.

    `la[na]` and `lb[nb]` are the bead rows, or blank rows at the file's end. Returns (count, seen).
    """
    a0, a1 = active(la, na)
    b0, b1 = active(lb, nb)
    i = 0
    row, at = 0, 0  # how far the comments of edited lines have been taken
    for j in range(nb):
        stop = i
        while stop < a1 and stop >= a0 and la[stop, KIND] == MOVE:
            stop += 1
        rb = lb[j]
        kept[j] = 0
        if b0 <= j < b1 and rb[KIND] == MOVE:
            twin = -1
            for k in range(max(i, row + 1 if at > 0 else row), min(stop, i + LOOK_AHEAD)):
                if same_line(a, la[k], b, rb):
                    twin = k
                    break
            if twin >= 0:
                lost = _comment_left(a, la, max(row, i), at if row >= i else 0, twin)
                if lost >= 0:
                    count, seen = report(
                        found, count, seen, 3, COMMENT_LOST, line_a + lost, la[lost], line_b + j, rb, 0
                    )
                kept[j] = 1
                i = twin + 1
                row, at = i, 0
            elif not _well_formed(b, rb):
                count, seen = report(found, count, seen, 3, FORM, line_a + i, la[i], line_b + j, rb, 0)
            elif not _line_end_known(a, la, na, b, rb):
                count, seen = report(found, count, seen, 3, LINE_END, line_a + i, la[i], line_b + j, rb, 0)
            continue
        if rb[KIND] == NOTE and rb[COMMENT] == rb[START] and stop > i:
            taken, new_row, new_at = _take_comments(a, la, max(row, i), at if row >= i else 0, stop, b, rb)
            if taken:
                row, at = new_row, new_at
                if not _line_end_known(a, la, na, b, rb):
                    count, seen = report(found, count, seen, 3, LINE_END, line_a + i, la[i], line_b + j, rb, 0)
                continue
        lost = _comment_left(a, la, max(row, i), at if row >= i else 0, stop)
        if lost >= 0:
            count, seen = report(found, count, seen, 3, COMMENT_LOST, line_a + lost, la[lost], line_b + j, rb, 0)
        i = stop
        if i >= na:
            return report(found, count, seen, _promise_of(rb[KIND]), LINE_ADDED, line_a + i, la[i], line_b + j, rb, 0)
        if not same_line(a, la[i], b, rb):
            return _mismatch(a, la, na, i, line_a, b, lb, nb, j, line_b, found, count, seen)
        if not _same_place(la, i, lb, j, start_a, start_b):
            promise = _promise_of(rb[KIND])
            count, seen = report(found, count, seen, promise, PLACE, line_a + i, la[i], line_b + j, rb, 0)
        elif (rb[KIND] == BACK or rb[KIND] == FORWARD or rb[KIND] == MOVE) and la[i, RF] != rb[RF]:
            promise = _promise_of(rb[KIND])
            count, seen = report(found, count, seen, promise, FEED, line_a + i, la[i], line_b + j, rb, 0)
        i += 1
        row, at = i, 0
    stop = i
    while stop < a1 and stop >= a0 and la[stop, KIND] == MOVE:
        stop += 1
    lost = _comment_left(a, la, max(row, i), at if row >= i else 0, stop)
    if lost >= 0:
        count, seen = report(found, count, seen, 3, COMMENT_LOST, line_a + lost, la[lost], line_b + nb, lb[nb], 0)
    if stop < na:
        promise = _promise_of(la[stop, KIND])
        count, seen = report(found, count, seen, promise, LINE_LOST, line_a + stop, la[stop], line_b + nb, lb[nb], 0)
    return count, seen


@kernel
def _mismatch(
    a: np.ndarray,
    la: np.ndarray,
    na: int,
    i: int,
    line_a: int,
    b: np.ndarray,
    lb: np.ndarray,
    nb: int,
    j: int,
    line_b: int,
    found: np.ndarray,
    count: int,
    seen: int,
) -> tuple[int, int]:
    """A fixed line isn't where it must be: say whether it is lost, added or changed, and end the comparison here."""
    lost = False
    for k in range(i + 1, min(na, i + LOOK_AHEAD)):
        if same_line(a, la[k], b, lb[j]):
            lost = True
            break
    added = False
    for k in range(j + 1, min(nb, j + LOOK_AHEAD)):
        if same_line(a, la[i], b, lb[k]):
            added = True
            break
    expected, met = la[i, KIND], lb[j, KIND]
    promise = _promise_of(expected)
    code = LINE_CHANGED
    if lost and not added:
        code = LINE_LOST
    elif added and not lost:
        code = LINE_ADDED
        promise = _promise_of(met)
    elif promise == 3 and met != BEAD:
        promise = _promise_of(met)
    return report(found, count, seen, promise, code, line_a + i, la[i], line_b + j, lb[j], 0)


def new_rows(size: int) -> np.ndarray:
    """Room for the rows of a gap, and one more for the bead that ends it."""
    return np.zeros((size + 1, ROW_SIZE), dtype=np.int64)
