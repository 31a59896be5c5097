"""The proof's own modal reader: one line of bytes in, one row of exact numbers and the machine state after it out.

1. A row's kind says what the line may be to the proof: a bead, E backward, E forward, a move that leaves E alone,
   a comment, a blank line, a harmless command, a dwell or a wall. Only moves and comments can belong to a lift.
2. Positions are bed positions: G92 shifts undone, inches converted, G91 summed up, all as whole multiples of 1e-12 mm.
3. What firmwares execute differently (two commands on a line, block delete, a repeated letter, bare G92) is a wall,
   and the position is unknown until X, Y and Z have been stated absolutely.
4. Whether G90 and G91 also set the extruder's mode is a fact about the firmware, given by the caller; if it isn't
   known and the readings differ, rows with an E word are marked unsure.
"""

import numpy as np

from liftwright import proof_words as pw
from liftwright.proof_words import BAD, MULTI, SCALE, STAR, TOP, kernel, line_end, merged, mix, number, words

# Machine state: one int64 array. The two states are equal when all of it is equal.
X, Y, Z, E, F, KNOWN, QX, QY, QZ, QE, QF = range(11)  # position, modal feed, what is certain, residues
MOVED = 11  # what a move can change stands before this index
OX, OY, OZ, OE, ABS, EREL, MREL, INCH = range(11, 19)  # offsets; EREL: as if G90/G91 set it too; MREL: by M83 alone
TOOL, LATCHED, PLANE, PERCENT, FIRMWARE_LIFT, DIALECT, FRAME = range(19, 26)  # M220; M207 Z; G90 sets E (2: unknown)
STATE_SIZE = 26
STATE_NAMES = (
    *("X", "Y", "Z", "E", "feed", "known axes", "X digits", "Y digits", "Z digits", "E digits", "F digits"),
    *("X offset", "Y offset", "Z offset", "E offset", "absolute", "relative E", "relative E by M83", "inches"),
    *("tool", "retracted by firmware", "plane", "feed percent", "firmware lift", "dialect", "frame"),
)
SCALED = (X, Y, Z, E, OX, OY, OZ, OE, F, PERCENT)
KNOW_X, KNOW_Y, KNOW_Z, KNOW_E, KNOW_MODE = 1, 2, 4, 8, 16
KNOW_ALL = 31

# Row of one line: one int64 array.
START, END, NEXT, KIND, FLAGS, CODE, MASK = range(7)  # byte spans without and with the line end
RX, RY, RZ, RE, RF, RTOOL, RDE = range(7, 14)  # the state after the line; how far E moved
RI, RJ, RR, RP = range(14, 18)  # arc words
COMMENT, QXY, QZE = range(18, 21)  # start of the first comment or -1; residues after the line
ROW_SIZE = 21

BLANK, NOTE, MOVE, BEAD, BACK, FORWARD, NEUTRAL, DWELL, WALL = range(9)
UNSURE, NUMBERED, UNKNOWN, MOVES_XY, RELATIVE = 1, 2, 4, 8, 16  # UNKNOWN: homing, probing, unknown; RELATIVE: G91

# Classes of commands in the tables that the caller fills.
ASK, IS_WALL, IS_UNKNOWN, IS_NEUTRAL, IS_TEXT, IS_OWN, IS_FRAME = range(7)  # IS_TEXT: its arguments are text
CODES = 100_000  # codes are number × 10 + digit after the point; larger ones are unknown
NAME_SLOTS = 8192

B_E, B_F, B_I, B_J, B_P, B_R = 1 << 4, 1 << 5, 1 << 8, 1 << 9, 1 << 15, 1 << 17  # bit k: the word of letter k, a = 0
B_X, B_Y, B_Z = 1 << 23, 1 << 24, 1 << 25
B_XYZ = B_X | B_Y | B_Z
_MOTION_WORDS = B_XYZ | B_E | B_F | B_I | B_J | B_P | B_R


def new_state(g90_sets_extrusion: bool | None) -> np.ndarray:
    """The state at power-on: absolute, millimetres, tool 0, position unknown (firmware documents: G90, M82)."""
    state = np.zeros(STATE_SIZE, dtype=np.int64)
    state[ABS] = 1
    state[PLANE] = 17
    state[KNOWN] = KNOW_E | KNOW_MODE
    state[PERCENT] = 100 * SCALE
    state[DIALECT] = 2 if g90_sets_extrusion is None else int(g90_sets_extrusion)
    return state


@merged
def _e_mode(s: np.ndarray) -> tuple[bool, bool]:
    """(E is relative, the reading is certain)."""
    as_if_not_set = bool(s[ABS] == 0 or s[MREL] == 1)
    if s[DIALECT] == 0:
        return as_if_not_set, True
    return bool(s[EREL] == 1), bool(s[DIALECT] == 1 or (s[EREL] == 1) == as_if_not_set)


@kernel
def _to_mm(w: np.ndarray, q: np.ndarray, k: int) -> None:
    """Word `k` from inches to mm: × 25.4 exactly; what doesn't come out even becomes a residue."""
    v = w[k]
    if abs(v) > TOP // 254:
        q[k] = mix(mix(q[k], v), 254)
        w[k] = TOP if v > 0 else -TOP
        return
    if v % 5 != 0:
        q[k] = mix(mix(q[k], v % 5), 254)
    w[k] = v * 254 // 10


@kernel
def _clamp(v: int) -> int:
    return TOP if v > TOP else -TOP if v < -TOP else v


@merged
def _axis(s: np.ndarray, w: np.ndarray, q: np.ndarray, k: int, letter: int, relative: bool) -> None:
    """State axis `k` after a move with that word."""
    if relative:
        target = s[k] + w[letter]
        if q[letter] != 0:
            s[QX + k] = mix(s[QX + k], q[letter])
        if target > TOP or target < -TOP:
            s[QX + k] = mix(s[QX + k], target)
            target = _clamp(target)
    else:
        target = w[letter] + s[OX + k]
        s[QX + k] = q[letter]
        if target > TOP or target < -TOP:
            s[QX + k] = mix(s[QX + k], target)
            target = _clamp(target)
        if s[KNOWN] & KNOW_MODE:
            s[KNOWN] |= 1 << k
    s[k] = target


@kernel
def _set_modes(s: np.ndarray, modes: int) -> None:
    """Apply mode words; G90/G91 make a doubtful distance mode certain again."""
    if modes & (pw.M_ABS | pw.M_REL):
        s[ABS] = 1 if modes & pw.M_ABS else 0
        s[EREL] = 1 - s[ABS]
        s[KNOWN] |= KNOW_MODE
    if modes & (pw.M_EABS | pw.M_EREL):
        s[EREL] = 0 if modes & pw.M_EABS else 1
        s[MREL] = s[EREL]
    if modes & (pw.M_INCH | pw.M_MM):
        s[INCH] = 1 if modes & pw.M_INCH else 0


@kernel
def _wall(s: np.ndarray, r: np.ndarray, unknown: bool) -> None:
    r[KIND] = WALL
    if unknown:
        r[FLAGS] |= UNKNOWN
    s[KNOWN] &= ~(KNOW_X | KNOW_Y | KNOW_Z)


@kernel
def _unclear_move(mask: int, modes: int, s: np.ndarray, r: np.ndarray, w: np.ndarray) -> None:
    """A motion line that firmwares read differently: the named axes are anywhere, the words are taken at their face."""
    _set_modes(s, modes)
    if mask & B_E:
        if s[EREL] == 0:
            s[E] = _clamp(w[4] + s[OE])
        s[KNOWN] &= ~KNOW_E
    if mask & B_F:
        s[F] = w[5]
    _wall(s, r, True)


@merged
def _move(code: int, mask: int, flags: int, s: np.ndarray, r: np.ndarray, w: np.ndarray, q: np.ndarray) -> None:
    """G0 to G3 with clear words: move the state, and find out whether it lays a bead."""
    if s[INCH]:
        for k in (4, 5, 8, 9, 17, 23, 24, 25):
            if mask & (1 << k):
                _to_mm(w, q, k)
    relative = s[ABS] == 0
    x, y = s[X], s[Y]
    qx, qy = s[QX], s[QY]
    shifted = False
    if mask & B_X:
        shifted = s[KNOWN] & KNOW_X == 0
        _axis(s, w, q, X, 23, relative)
    if mask & B_Y:
        shifted = shifted or s[KNOWN] & KNOW_Y == 0
        _axis(s, w, q, Y, 24, relative)
    if mask & B_Z:
        _axis(s, w, q, Z, 25, relative)
    if mask & B_F:
        s[F] = w[5]
        s[QF] = q[5]
    if code >= 2:
        r[RI] = w[8] if mask & B_I else 0
        r[RJ] = w[9] if mask & B_J else 0
        r[RR] = w[17] if mask & B_R else 0
        r[RP] = w[15] if mask & B_P else 0
        shifted = True
    shifted = shifted or s[X] != x or s[Y] != y or s[QX] != qx or s[QY] != qy
    if shifted:
        r[FLAGS] |= MOVES_XY
    if relative:
        r[FLAGS] |= RELATIVE
    r[KIND] = MOVE
    if mask & B_E:
        _extrude(shifted, s, r, w, q)


@merged
def _extrude(shifted: bool, s: np.ndarray, r: np.ndarray, w: np.ndarray, q: np.ndarray) -> None:
    relative, sure = _e_mode(s)
    e, qe = s[E], s[QE]
    if not sure or (not relative and s[KNOWN] & KNOW_E == 0):
        r[FLAGS] |= UNSURE
    known = s[KNOWN]
    _axis(s, w, q, E, 4, relative)
    if relative:
        s[KNOWN] = known
    r[RDE] = s[E] - e
    if r[RDE] > 0:
        r[KIND] = BEAD if shifted else FORWARD
    elif r[RDE] < 0:
        r[KIND] = BACK
    elif s[QE] != qe:  # E moved by less than the reader resolves
        r[KIND] = FORWARD
        r[FLAGS] |= UNSURE


@kernel
def _set_position(mask: int, s: np.ndarray, r: np.ndarray, w: np.ndarray, q: np.ndarray) -> None:
    """G92: the named axes change their offset, nothing moves. Bare G92 is executed differently by firmwares."""
    r[KIND] = NEUTRAL
    if mask & (B_XYZ | B_E) == 0:
        for k in range(4):
            s[OX + k] = s[k]
        s[KNOWN] &= ~KNOW_E
        _wall(s, r, True)
        return
    for k, letter in ((X, 23), (Y, 24), (Z, 25), (E, 4)):
        if mask & (1 << letter) == 0:
            continue
        if s[INCH]:
            _to_mm(w, q, letter)
        if s[KNOWN] & (1 << k) == 0:  # where it is was unknown: from here on it is what the line says
            s[k] = w[letter]
            s[OX + k] = 0
            s[KNOWN] |= 1 << k
        else:
            s[OX + k] = _clamp(s[k] - w[letter])
        if q[letter] != 0 or s[QX + k] != 0:
            s[QX + k] = mix(s[QX + k], q[letter])


@kernel
def _g_command(
    code10: int, mask: int, flags: int, modes: int, s: np.ndarray, r: np.ndarray, w: np.ndarray, q: np.ndarray
) -> None:
    """A G command other than G0 to G3 that the reader knows by itself; the line's words have been read."""
    r[KIND] = NEUTRAL
    if code10 == 280:  # homing also drops the offsets; its axis letters carry no numbers
        for k in range(3):
            s[k] = 0
            s[OX + k] = 0
            s[QX + k] = 0
        _wall(s, r, True)
    elif flags & (BAD | MULTI):
        if code10 == 900 or code10 == 910:
            _set_modes(s, pw.M_ABS if code10 == 900 else pw.M_REL)
        _unclear_move(mask, modes, s, r, w)
    elif code10 == 900:
        _set_modes(s, pw.M_ABS)
    elif code10 == 910:
        _set_modes(s, pw.M_REL)
    elif code10 == 200:
        _set_modes(s, pw.M_INCH)
    elif code10 == 210:
        _set_modes(s, pw.M_MM)
    elif code10 == 920:
        _set_position(mask, s, r, w, q)
    elif code10 == 40:
        r[KIND] = DWELL
    elif code10 == 170:
        s[PLANE] = 17
    elif code10 == 180 or code10 == 190:
        s[PLANE] = code10 // 10
        _wall(s, r, True)
    elif mask & ((1 << 11) | B_P):  # G10 L.. or P..: offsets or temperatures, not a retraction
        if mask & (B_XYZ | B_E | (1 << 11)):
            s[FRAME] = 1
            _wall(s, r, True)
    else:
        r[KIND] = BACK if code10 == 100 else FORWARD
        s[LATCHED] = 1 if code10 == 100 else 0


@kernel
def _m_command(code10: int, mask: int, flags: int, modes: int, s: np.ndarray, r: np.ndarray, w: np.ndarray) -> None:
    """M82, M83, M207, M220: the M commands whose words matter here."""
    r[KIND] = NEUTRAL
    if code10 == 820:
        _set_modes(s, pw.M_EABS)
    elif code10 == 830:
        _set_modes(s, pw.M_EREL)
    elif code10 == 2070 and mask & B_Z:
        s[FIRMWARE_LIFT] = 1 if w[25] > 0 else 0
    elif code10 == 2200 and mask & (1 << 18):
        s[PERCENT] = w[18]
    if flags & (BAD | MULTI):
        _unclear_move(mask, modes, s, r, w)


@kernel
def _second_command(b: np.ndarray, i: int) -> bool:
    """Whether a G or M number follows on this line outside comment and quotes: some firmwares would execute it."""
    quoted = False
    while b[i] != 10 and b[i] != 13:
        c = b[i]
        if c == 34:
            quoted = not quoted
        elif not quoted:
            if c == 59 or c == 40:
                return False
            if (c | 32 == 103 or c | 32 == 109) and 48 <= b[i + 1] <= 57:
                return True
        i += 1
    return False


@kernel
def name_hash(b: np.ndarray, i: int) -> int:
    """Hash of the name at `i`: letters in either case, digits, underscores, points."""
    h = 1469598103934665603
    while True:
        c = b[i] + 0
        if 97 <= c <= 122:
            c -= 32
        if not (65 <= c <= 90 or 48 <= c <= 57 or c == 95 or c == 46):
            return h
        h = mix(h, c)
        i += 1


@kernel
def _name(b: np.ndarray, i: int, names: np.ndarray) -> int:
    """Class of an extended command: a name of two or more letters, looked up by its hash; the last row says "full"."""
    h = name_hash(b, i)
    slot = h & (NAME_SLOTS - 1)
    for _ in range(NAME_SLOTS):
        if names[slot, 0] == h:
            return int(names[slot, 1])
        if names[slot, 0] == 0:
            return IS_UNKNOWN if names[NAME_SLOTS, 1] == 1 else ASK
        slot = (slot + 1) & (NAME_SLOTS - 1)
    return IS_UNKNOWN


@merged
def read_line(
    b: np.ndarray,
    i: int,
    n: int,
    s: np.ndarray,
    r: np.ndarray,
    w: np.ndarray,
    q: np.ndarray,
    codes: np.ndarray,
    names: np.ndarray,
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
    done = _command(b, i, s, r, w, q, codes, names)
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
    w: np.ndarray,
    q: np.ndarray,
    codes: np.ndarray,
    names: np.ndarray,
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
        return _lettered(b, i, lower, s, r, w, q, codes)
    if name:
        kind = _name(b, i, names)
        if kind == ASK:
            return -2
        if kind == IS_NEUTRAL:
            r[KIND] = NEUTRAL
        else:
            _wall(s, r, kind == IS_UNKNOWN)
        return -1
    _wall(s, r, True)
    if c == 47:  # block delete: the line may or may not be executed, whatever it holds
        s[KNOWN] = 0
    return -1


@merged
def _lettered(
    b: np.ndarray, i: int, lower: int, s: np.ndarray, r: np.ndarray, w: np.ndarray, q: np.ndarray, codes: np.ndarray
) -> int:
    """A G, M or T command at `i`."""
    k = i + 1
    while b[k] == 32 or b[k] == 9:
        k += 1
    value, k, found, residue = number(b, k)
    code10 = value // (SCALE // 10)
    clear = found and residue == 0 and 0 <= code10 < CODES and code10 * (SCALE // 10) == value
    r[CODE] = code10
    if lower == 103 and clear and code10 <= 30 and code10 % 10 == 0:
        k, mask, flags, comment, modes = words(b, k, w, q)
        r[MASK] = mask
        if r[COMMENT] < 0:
            r[COMMENT] = comment
        if flags & STAR:
            r[FLAGS] |= NUMBERED
        code = code10 // 10
        broken_arc = code >= 2 and (s[PLANE] != 17 or mask & (B_I | B_J | B_R) == 0)
        if flags & (BAD | MULTI) or mask & ~_MOTION_WORDS or broken_arc:
            _unclear_move(mask, modes, s, r, w)
        else:
            _move(code, mask, flags, s, r, w, q)
        return k
    if lower == 116:
        return _tool(b, k, value, found, clear, s, r, codes)
    kind = IS_UNKNOWN
    if clear:
        kind = codes[0 if lower == 103 else 1, code10]
        if kind == ASK:
            return -2
    if kind == IS_NEUTRAL or kind == IS_TEXT:
        r[KIND] = NEUTRAL
        if kind == IS_NEUTRAL and _second_command(b, k):
            _wall(s, r, True)
        return -1
    if kind == IS_OWN:
        k, mask, flags, comment, modes = words(b, k, w, q)
        if lower == 103:
            _g_command(code10, mask, flags, modes, s, r, w, q)
        else:
            _m_command(code10, mask, flags, modes, s, r, w)
        if flags & STAR:
            r[FLAGS] |= NUMBERED
        return k
    if kind == IS_FRAME:
        s[FRAME] = 1
    _wall(s, r, kind != IS_WALL)
    if lower == 103 and code10 == 921:
        for axis in range(3):
            s[OX + axis] = 0
    return -1


@kernel
def _tool(
    b: np.ndarray, k: int, value: int, found: bool, clear: bool, s: np.ndarray, r: np.ndarray, codes: np.ndarray
) -> int:
    """T alone reports, T with the present number changes nothing, any other is a tool change."""
    r[KIND] = NEUTRAL
    if not found:
        while b[k] == 32 or b[k] == 9:
            k += 1
        if b[k] != 10 and b[k] != 13 and b[k] != 59:
            _wall(s, r, True)
        return -1
    kind = IS_WALL
    if clear:
        kind = codes[2, value // (SCALE // 10)]
        if kind == ASK:
            return -2
    tool = value // SCALE
    if kind != IS_NEUTRAL and (tool != s[TOOL] or tool * SCALE != value):
        s[TOOL] = tool
        _wall(s, r, False)
    return -1
