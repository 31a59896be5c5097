"""Walk through both files at once, window by window: side by side while they are equal, gap by gap where they differ.

In: two windows of whole lines and the walk's progress. Out: findings, and why the walk stopped.

1. While the bytes are equal the machine states are equal too: one reading serves both files.
2. At the first difference the walk goes back to the last bead and reads the gap afresh in each file, up to its next
   bead. While the machine states differ it goes on gap by gap.
"""

from typing import NamedTuple

import numpy as np

from liftwright.proof_finding import COUNT, V_ROWS, V_SPARE, Found, Side
from liftwright.proof_judge import judge_gap
from liftwright.proof_plain import is_plain, plain_moves, plain_row
from liftwright.proof_progress import (
    BEADS,
    BEGUN,
    CUT,
    EQUAL,
    GA,
    GB,
    GLINE_A,
    GLINE_B,
    HAS_MOVE,
    IA,
    IB,
    LINE_A,
    LINE_B,
    SPLIT,
    TRAVELS,
    WALL_SEEN,
    note_bead,
)
from liftwright.proof_reader import read_line
from liftwright.proof_state import (
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
    RZ,
    START,
    STATE_SIZE,
    UNKNOWN,
    Tables,
)
from liftwright.proof_words import kernel, line_end

DONE, MORE, NAME_A, NAME_B, FULL, TOO_MANY_ROWS, DIFFERENT = range(7)


class File(NamedTuple):
    """One file as the kernels see it: a window, how much of it is whole lines, whether that is all there is, the
    machine state at the cursor and at the start of the gap, and room for the gap's rows."""

    text: np.ndarray
    n: int
    whole: bool
    state: np.ndarray
    start: np.ndarray
    rows: np.ndarray


@kernel
def walk(a: File, b: File, c: np.ndarray, t: Tables, limits: np.ndarray, found: Found, kept: np.ndarray) -> int:
    """Go on until the windows are used up (MORE), a command's class is wanted (NAME_A, NAME_B), the room for findings
    (FULL) or rows (TOO_MANY_ROWS) is used up, or both files have ended (DONE)."""
    while True:
        if found.tally[COUNT] >= V_ROWS - V_SPARE:
            return FULL
        if not c[SPLIT]:
            why = _side_by_side(a, b, c, t, found)
            if why != DIFFERENT:
                return why
            c[SPLIT] = 1
            _copy(a.start, b.start)
        if a.whole and b.whole and c[GA] >= a.n and c[GB] >= b.n:
            return DONE
        why = _gap_by_gap(a, b, c, t, limits, found, kept)
        if why != DONE:
            return why


@kernel
def _copy(source: np.ndarray, target: np.ndarray) -> None:
    for k in range(STATE_SIZE):
        target[k] = source[k]


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
def _side_by_side(a: File, b: File, c: np.ndarray, t: Tables, found: Found) -> int:
    """Advance both cursors over equal lines. Returns DONE, MORE, NAME_A, FULL, or DIFFERENT.

    What changes with every line is kept in local variables and written back at the end.
    """
    text, state, start, row, na, nb = a.text, a.state, a.start, a.rows[0], a.n, b.n
    i, j, equal, has_move = c[IA], c[IB], c[EQUAL], c[HAS_MOVE]
    gap_a, gap_b, lines, gap_lines, beads, travels = c[GA], c[GB], 0, -1, 0, 0
    moved_only = False
    while True:
        if i >= na or j >= nb:
            why = MORE if (i >= na and not a.whole) or (j >= nb and not b.whole) else DIFFERENT
            if i >= na and j >= nb and a.whole and b.whole:
                why = DONE
            break
        if i >= equal:
            equal = i + _equal_run(text, i, na, b.text, j, nb)
        if c[BEGUN] == 1:
            after, read, laid, jumps, has_move, behind, upto = plain_moves(text, i, equal, has_move, state, start)
            if behind >= 0:
                gap_a, gap_b, gap_lines = behind, behind + j - i, lines + upto
                moved_only = behind == after
            beads += laid
            travels += jumps
            lines += read
            i, j = after, j + after - i
            if equal <= line_end(text, i) < na:
                why = DIFFERENT
                break
        if read_line(text, i, na, state, row, t) == ASK:
            why = NAME_A
            break
        after = row[NEXT]
        there = j + after - i
        if after == equal:
            there = _after_line_end(text, after, row[END], b.text, there, nb)
        if after > equal or there < 0:
            why = DIFFERENT
            break
        i, j = after, there
        lines += 1
        if row[KIND] == BEAD:
            beads += 1
            travels += has_move
            has_move = 0
            gap_a, gap_b, gap_lines = i, j, lines
            if c[BEGUN] == 0:
                note_bead(c, row[RZ], found)
            for k in range(MOVED):
                start[k] = state[k]
            if not moved_only:
                _copy(state, start)
                moved_only = True
            if found.tally[COUNT] >= V_ROWS - V_SPARE:
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
def _read_gap(file: File, i: int, t: Tables) -> tuple[int, int, int]:
    """Read rows up to and with the next bead. Returns (rows without the bead, index after it, how it ended)."""
    rows, n = file.rows, file.n
    _copy(file.start, file.state)
    k = 0
    plain = is_plain(file.state)
    while i < n:
        if k >= rows.shape[0] - 1:
            return k, i, TOO_MANY_ROWS
        if not (plain and plain_row(file.text, i, n, file.state, rows[k])):
            if read_line(file.text, i, n, file.state, rows[k], t) == ASK:
                return k, i, NAME_A
            plain = is_plain(file.state)
        i = rows[k, NEXT]
        if rows[k, KIND] == BEAD:
            return k, i, DONE
        k += 1
    rows[k, :] = 0
    rows[k, KIND] = BLANK
    rows[k, START], rows[k, END], rows[k, NEXT] = n, n, n
    return k, i, DONE if file.whole else MORE


@kernel
def _gap_by_gap(a: File, b: File, c: np.ndarray, t: Tables, limits: np.ndarray, found: Found, kept: np.ndarray) -> int:
    """Read and judge one gap. Returns DONE (judged), MORE, NAME_A, NAME_B or TOO_MANY_ROWS."""
    na, ia, how = _read_gap(a, c[GA], t)
    if how != DONE:
        c[IA] = ia
        return how
    nb, ib, how = _read_gap(b, c[GB], t)
    if how != DONE:
        c[IB] = ib
        return NAME_B if how == NAME_A else how
    side_a = Side(a.text, a.rows, na, c[GLINE_A], a.start)
    side_b = Side(b.text, b.rows, nb, c[GLINE_B], b.start)
    judge_gap(side_a, side_b, c, max(a.start[PERCENT], a.state[PERCENT]), limits, found, kept)
    bead_a = 1 if a.rows[na, KIND] == BEAD else 0
    bead_b = 1 if b.rows[nb, KIND] == BEAD else 0
    _note_gap(side_a, bead_a, c, found)
    c[LINE_A], c[LINE_B] = c[GLINE_A] + na + bead_a, c[GLINE_B] + nb + bead_b
    c[IA], c[IB], c[EQUAL] = ia, ib, 0
    c[GA], c[GB], c[GLINE_A], c[GLINE_B] = ia, ib, c[LINE_A], c[LINE_B]
    c[HAS_MOVE], c[CUT], c[SPLIT] = 0, 0, 0
    for k in range(STATE_SIZE):
        if a.state[k] != b.state[k]:
            c[SPLIT] = 1
    _copy(a.state, a.start)
    _copy(b.state, b.start)
    return DONE


@kernel
def _note_gap(a: Side, bead: int, c: np.ndarray, found: Found) -> None:
    """Count the gap and its bead, and see what it says about where the print begins."""
    for k in range(a.n):
        if a.rows[k, KIND] == MOVE:
            c[HAS_MOVE] = 1
        elif a.rows[k, FLAGS] & UNKNOWN:
            c[WALL_SEEN] = 1
    if bead:
        c[BEADS] += 1
        c[TRAVELS] += c[HAS_MOVE]
        note_bead(c, a.rows[a.n, RZ], found)
