"""The proof's own modal reader: one line of bytes in, one row of exact numbers and the machine state after it out.

1. A row's kind says what the line may be to the proof: a bead, E backward, E forward, a move that leaves E alone,
   a comment, a blank line, a harmless command, a dwell or a wall. Only moves and comments can belong to a lift.
2. Positions are bed positions: G92 shifts undone, inches converted, G91 summed up, all as whole multiples of 1e-12 mm.
3. Whether G90 and G91 also set the extruder's mode is a fact about the firmware, given by the caller; if it isn't
   known and the readings differ, rows with an E word are marked unsure.
"""

import numpy as np

from liftwright.proof_commands import (
    ask,
    clamp,
    g_command,
    m_command,
    name_class,
    second_command,
    to_mm,
    tool_change,
    unclear_move,
    wall,
)
from liftwright.proof_state import (
    ABS,
    ASK,
    ASK_G,
    ASK_M,
    B_E,
    B_F,
    B_I,
    B_J,
    B_P,
    B_R,
    B_X,
    B_XYZ,
    B_Y,
    B_Z,
    BACK,
    BEAD,
    BEFORE_TOOL,
    BLANK,
    CODE,
    CODES,
    COMMENT,
    DIALECT,
    END,
    EREL,
    FLAGS,
    FORWARD,
    FRAME,
    INCH,
    IS_FRAME,
    IS_NEUTRAL,
    IS_OWN,
    IS_TEXT,
    IS_UNKNOWN,
    IS_WALL,
    KIND,
    KNOW_ALL,
    KNOW_E,
    KNOW_MODE,
    KNOW_X,
    KNOW_XYZ,
    KNOW_Y,
    KNOWN,
    MASK,
    MOVE,
    MOVES_XY,
    MREL,
    NEUTRAL,
    NEXT,
    NOTE,
    NUMBERED,
    OX,
    PLANE,
    QE,
    QF,
    QX,
    QXY,
    QY,
    QZ,
    QZE,
    RDE,
    RE,
    RELATIVE,
    RF,
    RI,
    RJ,
    RP,
    RR,
    RTOOL,
    RX,
    RY,
    RZ,
    START,
    TOOL,
    UNSURE,
    E,
    F,
    Tables,
    X,
    Y,
    Z,
)
from liftwright.proof_words import BAD, MULTI, SCALE, STAR, TOP, line_end, merged, mix, number, words

_MOTION_WORDS = B_XYZ | B_E | B_F | B_I | B_J | B_P | B_R


@merged
def read_line(
    b: np.ndarray,
    i: int,
    n: int,
    s: np.ndarray,
    r: np.ndarray,
    t: Tables,
) -> int:
    """Read the line at `i` of `b` (valid up to `n`, then a line feed) into row `r` and move state `s`.

    Returns the class ASK if the line's command isn't in the tables yet (nothing has been changed then), else 1.
    """
    r[START] = i
    r[FLAGS] = 0
    r[COMMENT] = -1
    r[MASK] = 0
    r[CODE] = -1
    r[RDE] = 0
    if b[i] == 0xEF and b[i + 1] == 0xBB and b[i + 2] == 0xBF:
        i += 3
    while True:
        c = b[i]
        if c == 32 or c == 9:
            i += 1
        elif c == 40:
            if r[COMMENT] < 0:
                r[COMMENT] = i
            while b[i] != 41 and b[i] != 10 and b[i] != 13:
                i += 1
            if b[i] == 41:
                i += 1
        elif (c == 78 or c == 110) and (48 <= b[i + 1] <= 57 or b[i + 1] == 32):
            i += 1
            while 48 <= b[i] <= 57 or b[i] == 32 or b[i] == 46:
                i += 1
            r[FLAGS] |= NUMBERED
        else:
            break
    done = _command(b, i, s, r, t)
    end = done if done >= 0 else line_end(b, i)
    r[END] = min(end, n)
    if b[end] == 13 and b[end + 1] == 10:
        end += 1
    r[NEXT] = min(end + 1, n)
    if done == -2:
        return ASK
    r[RX], r[RY], r[RZ], r[RE], r[RF], r[RTOOL] = s[X], s[Y], s[Z], s[E], s[F], s[TOOL]
    r[QXY] = s[QX] if s[QY] == 0 else mix(s[QX], s[QY])
    r[QZE] = s[QZ] if s[QE] | s[QF] == 0 else mix(mix(s[QZ], s[QE]), s[QF])
    return 1


@merged
def _command(
    b: np.ndarray,
    i: int,
    s: np.ndarray,
    r: np.ndarray,
    t: Tables,
) -> int:
    """Read from the first character that counts; returns the line end if it was found on the way, -1, or -2 to ask."""
    c = b[i] + 0
    if c == 10 or c == 13:
        r[KIND] = BLANK if r[COMMENT] < 0 else NOTE
        return i
    if c == 59:
        r[KIND] = NOTE
        if r[COMMENT] < 0:
            r[COMMENT] = i
        return -1
    lower = c | 32
    follow = b[i + 1] + 0
    name = (65 <= follow <= 90 or 97 <= follow <= 122 or follow == 95) and (97 <= lower <= 122 or c == 95)
    if not name and (lower == 103 or lower == 109 or lower == 116):
        return _lettered(b, i, lower, s, r, t)
    if name:
        kind = name_class(b, i, t)
        if kind == ASK:
            return -2
        if kind == IS_NEUTRAL:
            r[KIND] = NEUTRAL
        else:
            wall(s, r, kind == IS_UNKNOWN)
        return -1
    wall(s, r, True)
    if c == 47:  # block delete: the line may or may not be executed, whatever it holds
        s[KNOWN] = 0
    return -1


@merged
def _lettered(b: np.ndarray, i: int, lower: int, s: np.ndarray, r: np.ndarray, t: Tables) -> int:
    """A G, M or T command at `i`."""
    k = i + 1
    while b[k] == 32 or b[k] == 9:
        k += 1
    value, k, found, residue = number(b, k)
    code10 = value // (SCALE // 10)
    clear = found and residue == 0 and 0 <= code10 < CODES and code10 * (SCALE // 10) == value
    r[CODE] = code10
    if lower == 103 and clear and code10 <= 30 and code10 % 10 == 0:
        k, mask, flags, comment, modes = words(b, k, t.words, t.residues)
        r[MASK] = mask
        if r[COMMENT] < 0:
            r[COMMENT] = comment
        if flags & STAR:
            r[FLAGS] |= NUMBERED
        code = code10 // 10
        broken_arc = code >= 2 and (s[PLANE] != 17 or mask & (B_I | B_J | B_R) == 0)
        if flags & (BAD | MULTI) or mask & ~_MOTION_WORDS or broken_arc:
            unclear_move(mask, modes, s, r, t)
        else:
            _move(code, mask, s, r, t)
        return k
    if lower == 116:
        return tool_change(b, k, value, found, clear, s, r, t)
    kind = IS_UNKNOWN
    if clear:
        table = ASK_G if lower == 103 else ASK_M
        kind = t.codes[table, code10]
        if kind == ASK:
            ask(t, table, code10, 0)
            return -2
    if kind == IS_NEUTRAL or kind == IS_TEXT:
        r[KIND] = NEUTRAL
        if kind == IS_NEUTRAL and second_command(b, k):
            wall(s, r, True)
        return -1
    if kind == IS_OWN:
        k, mask, flags, comment, modes = words(b, k, t.words, t.residues)
        if lower == 103:
            g_command(code10, mask, flags, modes, s, r, t)
        else:
            m_command(code10, mask, flags, modes, s, r, t)
        if flags & STAR:
            r[FLAGS] |= NUMBERED
        return k
    if kind == IS_FRAME:
        s[FRAME] = 1
    wall(s, r, kind != IS_WALL)
    if lower == 103 and code10 == 921:
        for axis in range(3):
            s[OX + axis] = 0
    return -1


@merged
def _move(code: int, mask: int, s: np.ndarray, r: np.ndarray, t: Tables) -> None:
    """G0 to G3 with clear words: move the state, and find out whether it lays a bead."""
    if s[INCH]:
        for k in (4, 5, 8, 9, 17, 23, 24, 25):
            if mask & (1 << k):
                to_mm(t, k)
    relative = s[ABS] == 0
    x, y = s[X], s[Y]
    qx, qy = s[QX], s[QY]
    shifted = False
    if mask & B_X:
        shifted = s[KNOWN] & KNOW_X == 0
        _axis(s, t, X, 23, relative)
    if mask & B_Y:
        shifted = shifted or s[KNOWN] & KNOW_Y == 0
        _axis(s, t, Y, 24, relative)
    if mask & B_Z:
        _axis(s, t, Z, 25, relative)
    if mask & B_F:
        s[F] = t.words[5]
        s[QF] = t.residues[5]
    if code >= 2:
        r[RI] = t.words[8] if mask & B_I else 0
        r[RJ] = t.words[9] if mask & B_J else 0
        r[RR] = t.words[17] if mask & B_R else 0
        r[RP] = t.words[15] if mask & B_P else 0
        shifted = True
    shifted = shifted or s[X] != x or s[Y] != y or s[QX] != qx or s[QY] != qy
    if shifted:
        r[FLAGS] |= MOVES_XY
    if relative:
        r[FLAGS] |= RELATIVE
    r[KIND] = MOVE
    if mask & B_E:
        _extrude(shifted, s, r, t)


@merged
def _axis(s: np.ndarray, t: Tables, k: int, letter: int, relative: bool) -> None:
    """State axis `k` after a move with that word."""
    if relative:
        target = s[k] + t.words[letter]
        if t.residues[letter] != 0:
            s[QX + k] = mix(s[QX + k], t.residues[letter])
        if target > TOP or target < -TOP:
            s[QX + k] = mix(s[QX + k], target)
            target = clamp(target)
    else:
        target = t.words[letter] + s[OX + k]
        s[QX + k] = t.residues[letter]
        if target > TOP or target < -TOP:
            s[QX + k] = mix(s[QX + k], target)
            target = clamp(target)
        if s[KNOWN] & KNOW_MODE:
            s[KNOWN] |= 1 << k
    s[k] = target


@merged
def _extrude(shifted: bool, s: np.ndarray, r: np.ndarray, t: Tables) -> None:
    relative, sure = e_mode(s)
    e, qe = s[E], s[QE]
    if not sure or (not relative and s[KNOWN] & KNOW_E == 0):
        r[FLAGS] |= UNSURE
    known = s[KNOWN]
    _axis(s, t, E, 4, relative)
    if relative:
        s[KNOWN] = known
    r[RDE] = s[E] - e
    if r[RDE] > 0:
        r[KIND] = BEAD if shifted else FORWARD
        if shifted:
            # A bead right behind a tool change counts on the new tool being where the old one was.
            s[KNOWN] = (s[KNOWN] | s[KNOWN] >> BEFORE_TOOL & KNOW_XYZ) & KNOW_ALL
    elif r[RDE] < 0:
        r[KIND] = BACK
    elif s[QE] != qe:  # E moved by less than the reader resolves
        r[KIND] = FORWARD
        r[FLAGS] |= UNSURE


@merged
def e_mode(s: np.ndarray) -> tuple[bool, bool]:
    """(E is relative, the reading is certain)."""
    as_if_not_set = bool(s[ABS] == 0 or s[MREL] == 1)
    if s[DIALECT] == 0:
        return as_if_not_set, True
    return bool(s[EREL] == 1), bool(s[DIALECT] == 1 or (s[EREL] == 1) == as_if_not_set)
