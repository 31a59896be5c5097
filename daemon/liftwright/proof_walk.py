"""Walk through both files at once, window by window: side by side while they are equal, gap by gap where they differ.

In: two windows of whole lines and the walk's own state. Out: findings, and why the walk stopped.

1. While the bytes are equal the machine states are equal too: one reading serves both files.
2. At the first difference the walk goes back to the last bead and reads the gap afresh in each file, up to its next
   bead.
3. The print begins at the first bead after which no homing, probing or unknown command follows within its layer; before
   that, and after the last bead, nothing may differ.
"""

import numpy as np

from liftwright.proof_gap import (
    BEAD_ADDED,
    BEAD_CHANGED,
    BEAD_LOST,
    BEAD_RESPELLED,
    UNTOUCHABLE,
    V_NUMBERS,
    V_ROWS,
    active,
    align,
    report,
    retractions,
    same_bead,
    same_line,
)
from liftwright.proof_path import AFTER_PRINT, BEFORE_PRINT, TOO_LONG, judge_path, untouchable
from liftwright.proof_reader import (
    ASK,
    BEAD,
    BLANK,
    END,
    FLAGS,
    KIND,
    MOVE,
    MOVED,
    NEXT,
    PERCENT,
    RX,
    RY,
    RZ,
    START,
    STATE_SIZE,
    UNKNOWN,
    X,
    Y,
    Z,
    read_line,
)
from liftwright.proof_words import kernel

# The walk's own state: one int64 array.
IA, IB, LINE_A, LINE_B, GA, GB, GLINE_A, GLINE_B = range(8)  # cursors and start of the gap, in bytes and lines
SPLIT, CUT = 8, 9  # the files are read gap by gap; the beginning of the gap is out of the window
CAND, CAND_Z, BEGUN, PENDING, WALL_SEEN = range(10, 15)  # where the print begins
BEADS, TRAVELS, TOUCHED, OWN_LINES, FOUND = range(15, 20)  # counts
EQUAL, HAS_MOVE = 20, 21  # how far the bytes are known to be equal; the gap holds a move
WALK_SIZE = 22

DONE, MORE, NAME_A, NAME_B, FULL, TOO_MANY_ROWS = range(6)


@kernel
def _equal_run(a: np.ndarray, i: int, na: int, b: np.ndarray, j: int, nb: int) -> int:
    """Length of the equal bytes from `i` and `j` on; blocks of 64 so that the compiler can use wide registers."""
    n = min(na - i, nb - j)
    k = 0
    while k + 64 <= n:
        differ = np.uint8(0)
        for m in range(64):
            differ |= a[np.uint64(i + k + m)] ^ b[np.uint64(j + k + m)]
        if differ != 0:
            break
        k += 64
    while k < n and a[np.uint64(i + k)] == b[np.uint64(j + k)]:
        k += 1
    return k


@kernel
def _note_bead(c: np.ndarray, z: int, found: np.ndarray, ra: np.ndarray) -> None:
    """Keep track of where the print begins; a wall within the layer moves it on and condemns edits made so far."""
    if c[BEGUN]:
        return
    if c[CAND] and z != c[CAND_Z]:
        c[BEGUN] = 1
    elif c[WALL_SEEN] and c[CAND]:
        c[CAND] = 0
        if c[PENDING] > 0:
            c[FOUND], _ = report(found, c[FOUND], 0, 3, UNTOUCHABLE, c[PENDING], ra, 0, ra, BEFORE_PRINT)
            c[PENDING] = 0
    if not c[CAND]:
        c[CAND], c[CAND_Z] = 1, z
    c[WALL_SEEN] = 0


@kernel
def _side_by_side(
    a: np.ndarray,
    na: int,
    b: np.ndarray,
    nb: int,
    whole_a: bool,
    whole_b: bool,
    c: np.ndarray,
    s: np.ndarray,
    s0: np.ndarray,
    row: np.ndarray,
    w: np.ndarray,
    q: np.ndarray,
    codes: np.ndarray,
    names: np.ndarray,
    found: np.ndarray,
) -> int:
    """Advance both cursors over equal lines. Returns DONE, MORE, NAME_A, FULL, or -1 where the files differ.

    What changes with every line is kept in local variables and written back at the end.
    """
    i, j, equal, has_move = c[IA], c[IB], c[EQUAL], c[HAS_MOVE]
    gap_a, gap_b, lines, gap_lines, beads, travels = c[GA], c[GB], 0, -1, 0, 0
    moved_only = False
    while True:
        if i >= na or j >= nb:
            if i >= na and j >= nb and whole_a and whole_b:
                why = DONE
            else:
                why = MORE if (i >= na and not whole_a) or (j >= nb and not whole_b) else -1
            break
        if i >= equal:
            equal = i + _equal_run(a, i, na, b, j, nb)
        if read_line(a, i, na, s, row, w, q, codes, names) == ASK:
            why = NAME_A
            break
        after = row[NEXT]
        if after > equal:
            why = -1
            break
        there = j + after - i
        if after == equal:
            there = _after_line_end(a, after, row[END], b, there, nb)
            if there < 0:
                why = -1
                break
        i, j = after, there
        lines += 1
        if row[KIND] == BEAD:
            beads += 1
            travels += has_move
            has_move = 0
            gap_a, gap_b, gap_lines = i, j, lines
            if c[BEGUN] == 0:
                _note_bead(c, row[RZ], found, row)
            for k in range(MOVED):
                s0[k] = s[k]
            if not moved_only:
                for k in range(MOVED, STATE_SIZE):
                    s0[k] = s[k]
                moved_only = True
            if c[FOUND] >= V_ROWS - 8:
                why = FULL
                break
        else:
            moved_only = False
            if row[KIND] == MOVE:
                has_move = 1
            elif row[FLAGS] & UNKNOWN:
                c[WALL_SEEN] = 1
    if gap_lines >= 0:
        c[GA], c[GB], c[GLINE_A], c[GLINE_B] = gap_a, gap_b, c[LINE_A] + gap_lines, c[LINE_B] + gap_lines
        c[CUT] = 0
    c[IA], c[IB], c[EQUAL], c[HAS_MOVE] = i, j, equal, has_move
    c[LINE_A] += lines
    c[LINE_B] += lines
    c[BEADS] += beads
    c[TRAVELS] += travels
    return why


@kernel
def _after_line_end(a: np.ndarray, after: int, end: int, b: np.ndarray, j: int, nb: int) -> int:
    """Where the line whose equal bytes end at `j` ends in the rewritten job; -1 if it goes on there.

    The job's last line may have had no line end and been given one.
    """
    if end == after:
        if j < nb and b[j] == 13:
            j += 1
        if j < nb and b[j] == 10:
            j += 1
        return j if j >= nb else -1
    return -1 if a[after - 1] == 13 and j < nb and b[j] == 10 else j


@kernel
def _read_gap(
    b: np.ndarray,
    i: int,
    n: int,
    whole: bool,
    s: np.ndarray,
    rows: np.ndarray,
    w: np.ndarray,
    q: np.ndarray,
    codes: np.ndarray,
    names: np.ndarray,
) -> tuple[int, int, int]:
    """Read rows up to and with the next bead. Returns (rows without the bead, index after it, how it ended)."""
    k = 0
    while i < n:
        if k >= rows.shape[0] - 1:
            return k, i, TOO_MANY_ROWS
        if read_line(b, i, n, s, rows[k], w, q, codes, names) == ASK:
            return k, i, NAME_A
        i = rows[k, NEXT]
        if rows[k, KIND] == BEAD:
            return k, i, DONE
        k += 1
    rows[k, :] = 0
    rows[k, KIND] = BLANK
    rows[k, START], rows[k, END], rows[k, NEXT] = n, n, n
    return k, i, DONE if whole else MORE


@kernel
def _first_difference(a: np.ndarray, la: np.ndarray, na: int, b: np.ndarray, lb: np.ndarray, nb: int) -> int:
    """Index of the first row that differs, or -1 if the rows before the beads are the same."""
    for k in range(min(na, nb)):
        if not same_line(a, la[k], b, lb[k]):
            return k
    return -1 if na == nb else min(na, nb)


@kernel
def _place_before(rows: np.ndarray, n: int, s0: np.ndarray) -> tuple[int, int, int]:
    """X, Y and Z before row `n`."""
    if n > 0:
        return rows[n - 1, RX], rows[n - 1, RY], rows[n - 1, RZ]
    return s0[X], s0[Y], s0[Z]


@kernel
def _judge_beads(
    a: np.ndarray,
    la: np.ndarray,
    na: int,
    b: np.ndarray,
    lb: np.ndarray,
    nb: int,
    c: np.ndarray,
    sa0: np.ndarray,
    sb0: np.ndarray,
    found: np.ndarray,
    seen: int,
) -> int:
    """Compare the beads that end the gap in both files."""
    count, la_line, lb_line = c[FOUND], c[GLINE_A] + na, c[GLINE_B] + nb
    start_a = _place_before(la, na, sa0)
    start_b = _place_before(lb, nb, sb0)
    here, there = la[na, KIND] == BEAD, lb[nb, KIND] == BEAD
    code = 0
    if here and there:
        if not same_bead(la[na], lb[nb], start_a, start_b):
            code = BEAD_CHANGED
        elif not same_line(a, la[na], b, lb[nb]):
            code = BEAD_RESPELLED
    elif here:
        code = BEAD_LOST
    elif there:
        code = BEAD_ADDED
    if code:
        promise = 3 if code == BEAD_RESPELLED else 1
        before = count
        count, seen = report(found, count, seen, promise, code, la_line, la[na], lb_line, lb[nb], 0)
        if count > before:
            for k in range(3):
                found[before, V_NUMBERS + k] = start_a[k]
                found[before, V_NUMBERS + 10 + k] = start_b[k]
    c[FOUND] = count
    return seen


@kernel
def _judge_gap(
    a: np.ndarray,
    la: np.ndarray,
    na: int,
    b: np.ndarray,
    lb: np.ndarray,
    nb: int,
    c: np.ndarray,
    sa0: np.ndarray,
    sb0: np.ndarray,
    sa: np.ndarray,
    sb: np.ndarray,
    limits: np.ndarray,
    found: np.ndarray,
    kept: np.ndarray,
) -> None:
    """All promises that speak about one gap, when both files' rows are known."""
    seen = _judge_beads(a, la, na, b, lb, nb, c, sa0, sb0, found, 0)
    first = _first_difference(a, la, na, b, lb, nb)
    line_a, line_b = c[GLINE_A], c[GLINE_B]
    count = c[FOUND]
    if first >= 0:
        c[TOUCHED] += 1
        count, seen = retractions(a, la, na, line_a, b, lb, nb, line_b, sa0, sb0, found, count, seen)
        count, seen = align(a, la, na, line_a, b, lb, nb, line_b, sa0, sb0, found, count, seen, kept)
        reason, _ = untouchable(la, na, sa0, limits)
        if c[CUT]:
            reason = TOO_LONG
        elif la[na, KIND] != BEAD:
            reason = AFTER_PRINT
        elif not c[BEGUN] and not c[CAND]:
            reason = BEFORE_PRINT
        if reason:
            i, j = min(first, na), min(first, nb)
            count, seen = report(found, count, seen, 3, UNTOUCHABLE, line_a + i, la[i], line_b + j, lb[j], reason)
        elif not c[BEGUN] and c[PENDING] == 0:
            c[PENDING] = line_a + first
        if la[na, KIND] == BEAD:
            percent = max(sa0[PERCENT], sa[PERCENT])
            count, seen = judge_path(la, na, line_a, lb, nb, line_b, sa0, percent, limits, found, count, seen)
        first_active, after_active = active(lb, nb)
        for j in range(first_active, after_active):
            c[OWN_LINES] += 1 if lb[j, KIND] == MOVE and kept[j] == 0 else 0
    c[FOUND] = count


@kernel
def _gap_by_gap(
    a: np.ndarray,
    na: int,
    b: np.ndarray,
    nb: int,
    whole_a: bool,
    whole_b: bool,
    c: np.ndarray,
    sa: np.ndarray,
    sb: np.ndarray,
    sa0: np.ndarray,
    sb0: np.ndarray,
    la: np.ndarray,
    lb: np.ndarray,
    w: np.ndarray,
    q: np.ndarray,
    codes: np.ndarray,
    names: np.ndarray,
    limits: np.ndarray,
    found: np.ndarray,
    kept: np.ndarray,
) -> int:
    """Read and judge one gap. Returns DONE (judged), MORE, NAME_A, NAME_B or TOO_MANY_ROWS."""
    for k in range(STATE_SIZE):
        sa[k], sb[k] = sa0[k], sb0[k]
    ka, ia, how = _read_gap(a, c[GA], na, whole_a, sa, la, w, q, codes, names)
    if how != DONE:
        c[IA] = ia
        return how
    kb, ib, how = _read_gap(b, c[GB], nb, whole_b, sb, lb, w, q, codes, names)
    if how != DONE:
        c[IB] = ib
        return NAME_B if how == NAME_A else how
    _judge_gap(a, la, ka, b, lb, kb, c, sa0, sb0, sa, sb, limits, found, kept)
    for k in range(ka):
        if la[k, KIND] == MOVE:
            c[HAS_MOVE] = 1
        elif la[k, FLAGS] & UNKNOWN:
            c[WALL_SEEN] = 1
    bead_a = 1 if la[ka, KIND] == BEAD else 0
    bead_b = 1 if lb[kb, KIND] == BEAD else 0
    if bead_a:
        c[BEADS] += 1
        c[TRAVELS] += c[HAS_MOVE]
        _note_bead(c, la[ka, RZ], found, la[ka])
    c[LINE_A] = c[GLINE_A] + ka + bead_a
    c[LINE_B] = c[GLINE_B] + kb + bead_b
    c[IA], c[IB], c[EQUAL] = ia, ib, 0
    c[GA], c[GB], c[GLINE_A], c[GLINE_B] = ia, ib, c[LINE_A], c[LINE_B]
    c[HAS_MOVE], c[CUT], c[SPLIT] = 0, 0, 0
    for k in range(STATE_SIZE):
        sa0[k], sb0[k] = sa[k], sb[k]
        if sa[k] != sb[k]:
            c[SPLIT] = 1
    return DONE


@kernel
def walk(
    a: np.ndarray,
    na: int,
    b: np.ndarray,
    nb: int,
    whole_a: bool,
    whole_b: bool,
    c: np.ndarray,
    sa: np.ndarray,
    sb: np.ndarray,
    sa0: np.ndarray,
    sb0: np.ndarray,
    la: np.ndarray,
    lb: np.ndarray,
    w: np.ndarray,
    q: np.ndarray,
    codes: np.ndarray,
    names: np.ndarray,
    limits: np.ndarray,
    found: np.ndarray,
    kept: np.ndarray,
) -> int:
    """Go on until the windows are used up (MORE), a command's class is wanted (NAME_A, NAME_B), the room for findings
    (FULL) or rows (TOO_MANY_ROWS) is used up, or both files have ended (DONE)."""
    while True:
        if c[FOUND] >= V_ROWS - 8:
            return FULL
        if not c[SPLIT]:
            why = _side_by_side(a, na, b, nb, whole_a, whole_b, c, sa, sa0, la[0], w, q, codes, names, found)
            if why >= 0:
                return why
            c[SPLIT] = 1
            for k in range(STATE_SIZE):
                sb0[k] = sa0[k]
        if whole_a and whole_b and c[GA] >= na and c[GB] >= nb:
            return DONE
        why = _gap_by_gap(
            a, na, b, nb, whole_a, whole_b, c, sa, sb, sa0, sb0, la, lb, w, q, codes, names, limits, found, kept
        )
        if why != DONE:
            return why
