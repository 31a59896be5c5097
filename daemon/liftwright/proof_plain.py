"""Plain moves, read the short way: most of a job is nothing else.

A plain move is `G0` or `G1` and X, Y, Z, E and F words, each at most once, and perhaps a comment behind `;`. In a plain
state it can only move the state's position and feed: everything is known, millimetres, absolute positioning, and no
number has been cut off. Whatever is not plain is left to `read_line`, which reads plain moves the same way.
"""

import numpy as np

from liftwright.proof_reader import e_mode
from liftwright.proof_state import (
    ABS,
    B_E,
    B_F,
    B_X,
    B_Y,
    B_Z,
    BACK,
    BEAD,
    CODE,
    COMMENT,
    END,
    FLAGS,
    FORWARD,
    INCH,
    KIND,
    KNOW_ALL,
    KNOWN,
    MASK,
    MOVE,
    MOVES_XY,
    NEXT,
    OE,
    OX,
    OY,
    OZ,
    QE,
    QF,
    QX,
    QXY,
    QY,
    QZ,
    QZE,
    RDE,
    RE,
    RF,
    RTOOL,
    RX,
    RY,
    RZ,
    START,
    STATE_SIZE,
    TOOL,
    E,
    F,
    X,
    Y,
    Z,
)
from liftwright.proof_words import TOP, kernel, line_end, merged, number

_FAR = TOP // 4  # numbers and offsets up to here can be added twice without a look at the limits


@kernel
def is_plain(s: np.ndarray) -> bool:
    """Whether plain moves can only move position and feed."""
    if s[KNOWN] != KNOW_ALL or s[INCH] != 0 or s[ABS] != 1 or s[QX] | s[QY] | s[QZ] | s[QE] | s[QF] != 0:
        return False
    for k in (X, Y, Z, E, OX, OY, OZ, OE):
        if s[k] > _FAR or s[k] < -_FAR:
            return False
    return e_mode(s)[1]


@merged
def _plain_line(
    b: np.ndarray, i: int, x: int, y: int, z: int, e: int, f: int, s: np.ndarray, relative: bool
) -> tuple[int, int, int, int, int, int, int, int]:
    """The line at `i` after that position and feed: (its end or -1 if it isn't plain, letters, start of its comment or
    -1, position and feed after it). `s` gives the offsets."""
    end, mask, comment = -1, 0, -1
    if b[np.uint64(i)] != 71 or b[np.uint64(i + 1)] | 1 != 49 or b[np.uint64(i + 2)] != 32:
        return end, mask, comment, x, y, z, e, f
    k = i + 3
    while True:
        c = b[np.uint64(k)]
        if c == 10 or (c == 13 and b[np.uint64(k + 1)] == 10):
            end = k if mask else -1
            break
        if c == 32:
            k += 1
            continue
        if c == 59:
            comment = k
            k = line_end(b, k)
            continue
        value, k, found, residue = number(b, k + 1)
        if not found or residue != 0 or value > _FAR or value < -_FAR:
            break
        if c == 88:
            bit, x = B_X, value + s[OX]
        elif c == 89:
            bit, y = B_Y, value + s[OY]
        elif c == 69:
            bit, e = B_E, (e + value if relative else value + s[OE])
        elif c == 70:
            bit, f = B_F, value
        elif c == 90:
            bit, z = B_Z, value + s[OZ]
        else:
            break
        if mask & bit:
            break
        mask |= bit
    if e > TOP // 2 or e < -TOP // 2:
        end = -1
    return end, mask, comment, x, y, z, e, f


@kernel
def plain_moves(
    b: np.ndarray, i: int, stop: int, has_move: int, s: np.ndarray, start: np.ndarray
) -> tuple[int, int, int, int, int, int, int]:
    """Move state `s` over the plain moves from `i` on that end before `stop`, and `start` to behind the last bead.

    has_move: 1 if a move has been seen since the last bead. Returns (index of the first line left, lines, beads, beads
    with a move before them, has_move, index behind the last bead or -1, lines up to it).
    """
    lines, beads, travels, gap, gap_lines = 0, 0, 0, -1, 0
    if not is_plain(s):
        return i, lines, beads, travels, has_move, gap, gap_lines
    relative = e_mode(s)[0]
    x, y, z, e, f = s[X], s[Y], s[Z], s[E], s[F]
    bx, by, bz, be, bf = x, y, z, e, f
    while True:
        end, _, _, tx, ty, tz, te, tf = _plain_line(b, i, x, y, z, e, f, s, relative)
        if end < 0:
            break
        after = end + 1 if b[np.uint64(end)] == 10 else end + 2
        if after >= stop:
            break
        shifted = tx != x or ty != y
        pushed = te - e
        x, y, z, e, f = tx, ty, tz, te, tf
        i = after
        lines += 1
        if pushed > 0 and shifted:
            beads += 1
            travels += has_move
            has_move = 0
            gap, gap_lines = i, lines
            bx, by, bz, be, bf = x, y, z, e, f
        elif pushed == 0:
            has_move = 1
    s[X], s[Y], s[Z], s[E], s[F] = x, y, z, e, f
    if gap >= 0:
        for k in range(STATE_SIZE):
            start[k] = s[k]
        start[X], start[Y], start[Z], start[E], start[F] = bx, by, bz, be, bf
    return i, lines, beads, travels, has_move, gap, gap_lines


@kernel
def plain_row(b: np.ndarray, i: int, n: int, s: np.ndarray, r: np.ndarray) -> bool:
    """The line at `i`, if it is a plain move that ends before `n`, into row `r` and the plain state `s`, as `read_line`
    does; else False, and nothing has been changed."""
    x, y, e = s[X], s[Y], s[E]
    end, mask, comment, tx, ty, tz, te, tf = _plain_line(b, i, x, y, s[Z], e, s[F], s, e_mode(s)[0])
    if end < 0:
        return False
    after = end + 1 if b[np.uint64(end)] == 10 else end + 2
    if after > n:
        return False
    shifted = tx != x or ty != y
    kind = MOVE
    if te != e:
        kind = BACK if te < e else BEAD if shifted else FORWARD
    s[X], s[Y], s[Z], s[E], s[F] = tx, ty, tz, te, tf
    r[START], r[END], r[NEXT], r[COMMENT] = i, end, after, comment
    r[KIND], r[CODE], r[MASK] = kind, 10 * (b[i + 1] - 48), mask
    r[FLAGS] = MOVES_XY if shifted else 0
    r[RX], r[RY], r[RZ], r[RE], r[RF], r[RTOOL], r[RDE] = tx, ty, tz, te, tf, s[TOOL], te - e
    r[QXY] = r[QZE] = 0
    return True
