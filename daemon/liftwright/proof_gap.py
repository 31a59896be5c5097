"""What stands between two beads, line by line: are the lines that may not differ all still there, and at their place?

In: the two sides of a gap. Out: findings, at most one for each promise and gap.

1. Lines that aren't active moves (proof_lines) are fixed: byte-identical, in order, and met at the same XY; E lines,
   moves and walls, tool changes among them, also at the same Z, E and feed.
2. An edited line's comments stay, byte for byte, on lines of their own, before the next fixed line.
3. Wipes, retractions and primes are also compared by themselves, whatever became of the lines between them.
"""

import numpy as np

from liftwright.proof_finding import (
    COMMENT_LOST,
    FEED,
    FORM,
    LINE_ADDED,
    LINE_CHANGED,
    LINE_END,
    LINE_LOST,
    PLACE,
    SEEN,
    Found,
    Side,
    before,
    report,
)
from liftwright.proof_lines import (
    active,
    comment_left,
    line_end_known,
    moves_until,
    same_line,
    take_comments,
    well_formed,
)
from liftwright.proof_state import (
    BACK,
    COMMENT,
    FORWARD,
    KIND,
    MOVE,
    NOTE,
    QXY,
    QZE,
    RDE,
    RE,
    RF,
    RTOOL,
    RX,
    START,
    WALL,
)
from liftwright.proof_words import kernel, merged

LOOK_AHEAD = 256  # rows searched for a line's twin, so that odd gaps can't take quadratic time


@merged
def _pushes(row: np.ndarray) -> bool:
    """Whether the row moves filament without laying a bead."""
    return bool(row[KIND] == BACK or row[KIND] == FORWARD)


@merged
def _next_push(side: Side, k: int) -> int:
    while k < side.n and not _pushes(side.rows[k]):
        k += 1
    return k


@merged
def _same_place(a: Side, i: int, b: Side, j: int) -> bool:
    """Whether a fixed line is met at the same XY; E lines, moves and walls also at the same Z and E."""
    ra, rb = a.rows[i], b.rows[j]
    exact = _pushes(ra) or ra[KIND] == MOVE or ra[KIND] == WALL
    for k in range(3 if exact else 2):
        if before(a, i, k) != before(b, j, k) or ra[RX + k] != rb[RX + k]:
            return False
    if exact:
        return bool(ra[RE] == rb[RE] and ra[RDE] == rb[RDE] and ra[RTOOL] == rb[RTOOL] and ra[QZE] == rb[QZE])
    return bool(ra[QXY] == rb[QXY])


@kernel
def retractions(a: Side, b: Side, found: Found) -> None:
    """Compare the wipes, retractions and primes of a gap in their order: promise 2."""
    i, j = _next_push(a, 0), _next_push(b, 0)
    while i < a.n or j < b.n:
        code = 0
        if i == a.n or j == b.n:
            code = LINE_ADDED if i == a.n else LINE_LOST
        elif not same_line(a, i, b, j):
            later_a, later_b = _next_push(a, i + 1), _next_push(b, j + 1)
            code = LINE_CHANGED
            if later_a < a.n and same_line(a, later_a, b, j):
                code = LINE_LOST
            elif later_b < b.n and same_line(a, i, b, later_b):
                code = LINE_ADDED
        elif not _same_place(a, i, b, j):
            code = PLACE
        elif a.rows[i, RF] != b.rows[j, RF]:
            code = FEED
        if code:
            report(found, 2, code, a, i, b, j, 0)
            return
        i, j = _next_push(a, i + 1), _next_push(b, j + 1)


@kernel
def align(a: Side, b: Side, found: Found, kept: np.ndarray) -> None:
    """Check rules 1 and 2, promise 3; `kept[j]` becomes 1 for moves of the rewritten job that are the job's own lines.

    `i` is the first row of the original that isn't accounted for yet; `row` and `at` say how far the comments of edited
    rows have been taken.
    """
    a0, a1 = active(a)
    b0, b1 = active(b)
    i, row, at = 0, 0, 0
    for j in range(b.n):
        stop = moves_until(a, i, a0, a1)
        if b0 <= j < b1 and b.rows[j, KIND] == MOVE:
            twin = _twin(a, max(i, row + 1 if at > 0 else row), min(stop, i + LOOK_AHEAD), b, j)
            kept[j] = 1 if twin >= 0 else 0
            if well_formed(b, j):  # whether it is ours or the job's doesn't matter
                if twin < 0 and not line_end_known(a, b, j):
                    report(found, 3, LINE_END, a, i, b, j, 0)
            elif twin >= 0:
                _need_comments(a, row, at, twin, b, j, found)
                i, row, at = twin + 1, twin + 1, 0
            else:
                report(found, 3, FORM, a, i, b, j, 0)
            continue
        if stop > i and b.rows[j, KIND] == NOTE and b.rows[j, COMMENT] == b.rows[j, START]:
            taken, new_row, new_at = take_comments(a, row, at, stop, b, j)
            if taken:
                row, at = new_row, new_at
                if not line_end_known(a, b, j):
                    report(found, 3, LINE_END, a, i, b, j, 0)
                continue
        _need_comments(a, row, at, stop, b, j, found)
        i = stop
        if not _fixed(a, i, b, j, found):
            return
        i += 1
        row, at = i, 0
    stop = moves_until(a, i, a0, a1)
    _need_comments(a, row, at, stop, b, b.n, found)
    if stop < a.n:
        _mismatch(a, stop, b, b.n, LINE_LOST, found)


@merged
def _twin(a: Side, first: int, stop: int, b: Side, j: int) -> int:
    """The row of the original that line `j` is, or -1."""
    for k in range(first, stop):
        if same_line(a, k, b, j):
            return k
    return -1


@merged
def _need_comments(a: Side, row: int, at: int, stop: int, b: Side, j: int, found: Found) -> None:
    """Rows up to `stop` have been edited: each comment of theirs must have been taken by now."""
    lost = comment_left(a, row, at, stop)
    if lost >= 0:
        report(found, 3, COMMENT_LOST, a, lost, b, j, 0)


@kernel
def _fixed(a: Side, i: int, b: Side, j: int, found: Found) -> bool:
    """Compare a fixed line with its place in the original; False if the comparison can't go on behind it."""
    if i >= a.n:
        _mismatch(a, i, b, j, LINE_ADDED, found)
        return False
    if not same_line(a, i, b, j):
        lost = _twin(a, i + 1, min(a.n, i + LOOK_AHEAD), b, j) >= 0
        added = _reappears(a, i, b, j + 1, min(b.n, j + LOOK_AHEAD))
        code = LINE_CHANGED if lost == added else LINE_LOST if lost else LINE_ADDED
        _mismatch(a, i, b, j, code, found)
        return False
    if _pushes(b.rows[j]):
        return True  # its place and feed are the business of `retractions`
    if not _same_place(a, i, b, j):
        report(found, 3, PLACE, a, i, b, j, 0)
    elif (b.rows[j, KIND] == MOVE or b.rows[j, KIND] == WALL) and a.rows[i, RF] != b.rows[j, RF]:
        report(found, 3, FEED, a, i, b, j, 0)
    return True


@kernel
def _reappears(a: Side, i: int, b: Side, first: int, stop: int) -> bool:
    """Whether row `i` of the original comes later in the rewritten job."""
    for k in range(first, stop):  # noqa: SIM110 (a generator would not compile)
        if same_line(a, i, b, k):
            return True
    return False


@kernel
def _mismatch(a: Side, i: int, b: Side, j: int, code: int, found: Found) -> None:
    """Report a fixed line that is lost, added or changed, unless it is an E line and promise 2 has been named."""
    lost = code != LINE_ADDED and i < a.n and _pushes(a.rows[i])
    pushed = lost or (code != LINE_LOST and j < b.n and _pushes(b.rows[j]))
    if not (pushed and found.tally[SEEN] & (1 << 2)):
        report(found, 3, code, a, i, b, j, 0)
